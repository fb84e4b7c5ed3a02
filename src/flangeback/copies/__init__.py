"""Copies and their proof: written atomically, compared with the source, read back by ExifRead."""

import lazy_loader

# A command loads what it needs of it, and no more.
__getattr__, __dir__, __all__ = lazy_loader.attach_stub(__name__, __file__)
