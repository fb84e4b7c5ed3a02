"""The kit as a log's words see it: keys in any case, cleaned as the log's lines are."""

from __future__ import annotations

from flangeback.errors import nearest
from flangeback.kit import Adapter, Body, Kit, Lens
from flangeback.log.faults import Refusal
from flangeback.log.text import clean_word
from flangeback.log.values import frame_stem

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
        keys = [
            gear.key
            for gear in self._by_word.values()
            if not kinds or isinstance(gear, tuple(kinds))
        ]
        return nearest(word, keys)

    def refuse_stem(self, word: str) -> None:
        """Raise Refusal for a frame's name that without its suffix is a key of the kit."""
        gear = self.find(frame_stem(word))
        if gear is not None:
            kind = TYPE_NAMES[type(gear)]
            raise Refusal(f"{gear.key} is {kind} of the kit", "a frame name that is no key")
