"""The site as a folder: written aside, compared with the one before, swapped in whole."""
