"""The whole build as one story, and whether there is anything to build."""
