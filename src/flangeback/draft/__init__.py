"""A session log to fill in, from a folder of frames."""

import lazy_loader

# A command loads what it needs of it, and no more.
__getattr__, __dir__, __all__ = lazy_loader.attach_stub(__name__, __file__)
