"""Kickwheel: folders of turntable photos in, a static site of product spins out."""

__version__ = "0.1.0"
