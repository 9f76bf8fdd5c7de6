"""The coded rim tape: its pattern, and reading it back from pictures. Printing it is `capture`'s, using it `measured`'s.

Needs nothing of the other stages; numpy and scipy are loaded by `reader` and `view` alone.
"""
