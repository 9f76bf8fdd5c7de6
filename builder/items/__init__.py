"""One item of the catalogue: its measures, its finished frames and files, its hotspots, its page."""
