"""The kit as a log's words see it: keys in any case, cleaned as the log's lines are."""

from __future__ import annotations

from flangeback.errors import nearest
from flangeback.kit import Adapter, Body, Kit, Lens
from flangeback.log.model import FrameName
from flangeback.log.names import frame_stem, is_frame_name
from flangeback.log.text import Place, clean_word

TYPE_NAMES: dict[type[Body | Lens | Adapter], str] = {
    Body: "a body",
    Lens: "a lens",
    Adapter: "an adapter",
}


class Gear:
    """Finds the kit's bodies, lenses and adapters by the words of a log."""

    def __init__(self, kit: Kit) -> None:
        self.kit = kit
        self._by_word: dict[str, Body | Lens | Adapter] = {}
        for shelf in (kit.bodies, kit.lenses, kit.adapters):
            for key, gear in shelf.items():
                self._by_word.setdefault(clean_word(key).casefold(), gear)

    def find(self, word: str) -> Body | Lens | Adapter | None:
        """The gear of this key, in any case of letters."""
        return self._by_word.get(word.casefold())

    def near(self, word: str, *kinds: type[Body | Lens | Adapter]) -> str | None:
        """The key most like this word, among those kinds (any, if none is given)."""
        fitting = (g for g in self._by_word.values() if not kinds or isinstance(g, kinds))
        return nearest(word, [gear.key for gear in fitting])

    def frame_name(self, place: Place, expected: str) -> FrameName:
        """The frame that is named here. Raises Fault where it is none, or a key of the kit."""
        if not is_frame_name(place.text):
            raise place.fault(f'"{place.text}" isn\'t a frame name', expected)
        stem = frame_stem(place.text)
        gear = self.find(stem)
        if gear is not None:
            text = f"{gear.key} is {TYPE_NAMES[type(gear)]} of the kit"
            raise place.fault(text, "a frame name that is no key")
        return FrameName(stem, place.line.number, place.column)
