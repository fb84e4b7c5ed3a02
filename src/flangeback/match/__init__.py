"""Frames and session logs become outcomes: what is certain, what isn't, and why."""

import lazy_loader

# A command loads what it needs of it, and no more.
__getattr__, __dir__, __all__ = lazy_loader.attach_stub(__name__, __file__)
