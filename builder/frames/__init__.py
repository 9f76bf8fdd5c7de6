"""Photos and films in: which files are frames, in what order, and their pixels. Read only, never written."""
