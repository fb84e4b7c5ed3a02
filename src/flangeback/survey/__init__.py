"""What lens data a folder of frames lacks, body by body, before there is a log or a kit."""

import lazy_loader

# A command loads what it needs of it, and no more.
__getattr__, __dir__, __all__ = lazy_loader.attach_stub(__name__, __file__)
