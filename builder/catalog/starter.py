"""The commented catalogue that `kickwheel new` writes."""

from __future__ import annotations

SCHEMA_FILE = "catalog.schema.json"

# `#:schema` is how editors' TOML language servers are told which JSON Schema belongs to a file.
_STARTER = '''#:schema ./{schema}
# A Kickwheel catalogue. The line above lets an editor complete and check the keys below.
# Lines that start with # are comments: take the # away to switch a key on.
# Build the site with:  kickwheel build .        Look at it with:  kickwheel serve .

[shop]
name = "My shop"
# url = "https://shop.example/spins/"     # where the site will stand: needed for QR codes, share pictures, embeds
# language = "en"
# currency = "EUR"
# contact = "hello@shop.example"          # shows an enquiry link
# logo = "logo.svg"
# credit = "Photos: our own"
# disc_mm = 330                           # diameter of your disc, for scale = "same"

[finish]
backdrop = "white"                        # or any CSS colour, "keep", "transparent"
# margin = 0.075                          # share of the side left free round the subject
# shadow = 0.5                            # 0: none, 1: all of it
# sharpen = 0.5

[output]
# widths = [480, 960, 1600]
# formats = ["avif", "webp"]

# [plan]                                  # for `kickwheel plan .`: the same as its options
# disc = "330mm"
# frames = 36
# ruler = "1mm"
# subject = "250x130x235mm"
# focal35 = 26
# f_number = 8

# One [[item]] for each spin. Put its photos into a folder beside this file, here: first-item/
# (`kickwheel sort FOLDER` writes these entries for a whole camera roll.)
[[item]]
title = "First item"
frames = "first-item"
# price = 48
# availability = "in stock"
# condition = "used"
# link = "https://shop.example/first-item"
# tags = ["kitchen"]
# drop = ["IMG_0017.jpg"]
# replace = {{"IMG_0018.jpg" = "IMG_0040.jpg"}}
# description = """
# What it is, how old, what was repaired. *Markdown* works.
# """
'''


def starter_text() -> str:
    return _STARTER.format(schema=SCHEMA_FILE)
