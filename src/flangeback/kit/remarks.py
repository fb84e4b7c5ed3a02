"""What a sound kit may still have wrong: worth a look, no fault."""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from dataclasses import dataclass

from flangeback.kit.adding import focal_in
from flangeback.kit.fit import AdapterRoom, spacing
from flangeback.kit.lensdb import apertures_in, same_figures
from flangeback.kit.model import Adapter, AdapterKind, Body, Kit, Lens
from flangeback.kit.mounts import mount_named
from flangeback.kit.reading import again
from flangeback.words import exact


@dataclass(frozen=True, slots=True)
class Remark:
    """Something about one table of the kit that a person should look at."""

    table: str
    text: str


def remarks(kit: Kit) -> tuple[Remark, ...]:
    """Every remark on a kit, in its own order."""
    return (
        *_equal_serials("body", kit.bodies.values()),
        *_equal_serials("lens", kit.lenses.values()),
        *(found for lens in kit.lenses.values() for found in _on_name(lens)),
        *(found for adapter in kit.adapters.values() for found in _on_adapter(adapter)),
    )


def _equal_serials(kind: str, gear: Iterable[Body | Lens]) -> Iterator[Remark]:
    serials = {each.key: each.serial for each in gear if each.serial is not None}
    for key, first in again({key: serial.casefold() for key, serial in serials.items()}):
        text = f'has the serial "{serials[key]}" of [{kind}.{first}]: is it a slip?'
        yield Remark(f"{kind}.{key}", text)


def _on_name(lens: Lens) -> Iterator[Remark]:
    """Where the name tells other figures than the fields: one of the two is a slip."""
    focal = focal_in(lens.name)
    for field, own, told in (
        ("focal", lens.focal, focal),
        ("widest", lens.widest, apertures_in(lens.name, focal or lens.focal)),
    ):
        if told is not None and not same_figures(own, told):
            figures = [" to ".join(dict.fromkeys(map(exact, ends))) for ends in (told, own)]
            text = f'"{lens.name}" tells {field} {figures[0]}, and {field} is {figures[1]}'
            yield Remark(f"lens.{lens.key}", f"the name {text}")


def _on_adapter(adapter: Adapter) -> Iterator[Remark]:
    lens, body = mount_named(adapter.lens_mount), mount_named(adapter.body_mount)
    glass = adapter.kind in (AdapterKind.REDUCER, AdapterKind.EXTENDER)
    if lens is None or body is None or lens == body or glass:
        return
    between = spacing(lens, body)
    table = f"adapter.{adapter.key}"
    if between.room is AdapterRoom.NONE:
        room = f"{lens.name} on {body.name} leaves {between.thickness[1]:.2f} mm"
        yield Remark(table, f"{room}: without glass it doesn't reach infinity")
    elif adapter.thickness is not None:
        least, greatest = between.thickness
        needed = " to ".join(dict.fromkeys(f"{end:.2f}" for end in between.thickness))
        for off, way, what in (
            (adapter.thickness - greatest, "thicker", "falls short of"),
            (least - adapter.thickness, "thinner", "focuses past"),
        ):
            if off > between.tolerance + 1e-9:
                told = f"is {off:.2f} mm {way} than the registers' {needed} mm"
                yield Remark(table, f"{told}: it {what} infinity (see kit fit)")
