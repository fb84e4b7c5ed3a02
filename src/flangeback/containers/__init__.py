"""The structures picture files are made of, read only: TIFF blocks and JPEG segments.

The base on which `frames` reads and `embed` writes.
"""
