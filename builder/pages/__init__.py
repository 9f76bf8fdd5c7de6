"""Values to the text of every page: templates, labels, metadata, style and the viewer script."""
