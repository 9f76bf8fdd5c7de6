"""From finished frames to files: the ladder of widths and formats, strip, poster, GIF, MP4, sheets."""
