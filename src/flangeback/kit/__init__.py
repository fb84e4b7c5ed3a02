"""The gear: bodies, lenses, adapters, mounts. Knows no frames and no log."""

from flangeback.kit.model import Adapter, AdapterKind, Body, Kit, Lens
from flangeback.kit.mounts import Mount, adapter_thickness, mount_named, mounts
from flangeback.kit.reading import parse_kit, read_kit

__all__ = [
    "Adapter",
    "AdapterKind",
    "Body",
    "Kit",
    "Lens",
    "Mount",
    "adapter_thickness",
    "mount_named",
    "mounts",
    "parse_kit",
    "read_kit",
]
