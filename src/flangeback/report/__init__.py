"""What people and programs get to see: the terminal's tables, the pages, the JSON documents."""

import lazy_loader

# A command loads what it prints, and no more.
__getattr__, __dir__, __all__ = lazy_loader.attach_stub(__name__, __file__)
