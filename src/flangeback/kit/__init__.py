"""The gear: bodies, lenses, adapters, mounts. Knows no frames and no log."""

from flangeback.kit.model import Adapter, AdapterKind, Body, Kit, Lens
from flangeback.kit.reading import parse_kit, read_kit

__all__ = ["Adapter", "AdapterKind", "Body", "Kit", "Lens", "parse_kit", "read_kit"]
