"""Path-traced turntable sequences with exact truth, for the benches of check and finish."""
