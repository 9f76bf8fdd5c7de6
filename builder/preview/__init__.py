"""A local preview of the site: build, serve, watch, build again."""
