"""The kit as a log's words see it: keys in any case, cleaned as the log's lines are."""

from __future__ import annotations

import re
from collections.abc import Iterable, Sequence

from flangeback.errors import nearest
from flangeback.kit import Adapter, Body, Kit, Lens
from flangeback.log.model import FrameName
from flangeback.log.names import frame_stem, is_any_name, is_frame_name
from flangeback.log.text import Place, clean_word
from flangeback.log.tokenizer import Tokenizer
from flangeback.log.vocabulary import KEYWORDS, PLAIN_WORDS

TYPE_NAMES: dict[type[Body | Lens | Adapter], str] = {
    Body: "a body",
    Lens: "a lens",
    Adapter: "an adapter",
}
_RUN = re.compile(r"[^\W\d_]+|\d+")
_A_PART = re.compile(r"(?=[\w.-]*(?:[^\W\d_]|\d\d))[\w.-]+")
"""What can be part of a name: one figure alone is none."""
_F_NUMBER = re.compile(r"(?:f/?|1:)\d[\d.,-]*")
_SHORTEST = 3
"""Letters that the beginning of a name's word has at least, where a maker's counts too."""
_LEAST = 2
"""Letters or figures of a part that stands anywhere in a name."""
_OF_A_SENTENCE = (
    *("am", "an", "and", "as", "at", "be", "but", "by", "do", "for", "from"),
    *("go", "he", "if", "in", "into", "is", "it", "me", "my", "no", "not"),
    *("now", "of", "on", "or", "our", "out", "so", "the", "then", "to", "up"),
    *("us", "was", "we", "with"),
)
"""Words that people write without a thought: they are no part of a longer word of a name."""


class Gear:
    """Finds the kit's bodies, lenses and adapters by the words of a log."""

    def __init__(self, kit: Kit) -> None:
        self.kit = kit
        self._by_word: dict[str, Body | Lens | Adapter] = {}
        for shelf in (kit.bodies, kit.lenses, kit.adapters):
            for key, gear in shelf.items():
                self._by_word.setdefault(clean_word(key).casefold(), gear)
        # A maker's name counts only where no key or name fits.
        bodies = [(body, body.model or "", "") for body in kit.bodies.values()]
        lenses = [(lens, lens.name, lens.maker or "") for lens in kit.lenses.values()]
        named: list[tuple[Body | Lens, str, str]] = [*bodies, *lenses]
        self._runs = (
            [(gear, _runs(f"{gear.key} {_bare(name)}")) for gear, name, _ in named],
            [(gear, _runs(f"{gear.key} {_bare(name)} {maker}")) for gear, name, maker in named],
        )
        self._names = [(gear, _bare(f"{gear.key} {name}")) for gear, name, _ in named]

    def find(self, word: str) -> Body | Lens | Adapter | None:
        """The gear of this key, in any case of letters."""
        return self._by_word.get(word.casefold())

    def near(self, word: str, *kinds: type[Body | Lens | Adapter]) -> str | None:
        """The key most like this word, among those kinds (any, if none is given)."""
        fitting = (g for g in self._by_word.values() if not kinds or isinstance(g, kinds))
        return nearest(word, [gear.key for gear in fitting])

    def fitting(self, words: Iterable[str]) -> Sequence[Body | Lens]:
        """The bodies and lenses of whose key or name (else maker) each of these words is a part.

        A part is the beginning of a word of letters, or a number; where nothing has it, whatever
        stands in a key or name. f-numbers in a name are none.
        """
        words = tuple(words)
        if not all(_A_PART.fullmatch(word) for word in words):
            return ()
        runs = [run for word in words for run in _runs(word)]
        for gears in self._runs:
            found = [gear for gear, its in gears if all(_is_part(run, its) for run in runs)]
            if found:
                return found
        return [gear for gear, name in self._names if all(_is_in(name, word) for word in words)]

    def read_parts(self, words: Tokenizer) -> tuple[Place, Sequence[Body | Lens]] | None:
        """Read words in a row that are parts of one name, and what they fit; None if none are."""
        fitting: Sequence[Body | Lens] = ()
        places: list[Place] = []
        while (place := words.peek_word()) is not None:
            if places and self._is_own_word(words, place.text):
                break
            more = self.fitting([*(one.text for one in places), place.text])
            if not more:
                break
            fitting = more
            if words.match("focal length"):
                # It stays a word of its own, but tells which of several lenses is meant.
                break
            places.append(words.read_word())
        return (places[0].to(places[-1]), fitting) if places else None

    def _is_own_word(self, words: Tokenizer, word: str) -> bool:
        """Whether the word that stands here is a key, or the log's own."""
        is_known = self.find(word) is not None or word.casefold() in (*KEYWORDS, *PLAIN_WORDS)
        return is_known or words.match("f-number") is not None

    def frame_name(self, place: Place, expected: str) -> FrameName:
        """The frame that is named here; in quotes it may have any name.

        Raises Fault where it is no name, or a key of the kit.
        """
        quoted = place.is_quoted
        is_name = is_any_name if quoted else is_frame_name
        if not is_name(place.text, quoted=quoted):
            raise place.fault(f'"{place.text}" isn\'t a frame name', expected)
        stem = frame_stem(place.text)
        gear = None if quoted else self.find(stem)
        if gear is not None:
            text = f"{gear.key} is {TYPE_NAMES[type(gear)]} of the kit"
            raise place.fault(text, "a frame name that is no key")
        return FrameName.at(place, stem)


def _bare(name: str) -> str:
    """A lens's name without its f-number."""
    return _F_NUMBER.sub(" ", clean_word(name).casefold())


def _runs(name: str) -> list[str]:
    """The words of letters and the numbers that a name is made of."""
    return _RUN.findall(clean_word(name).casefold())


def _is_part(run: str, runs: Sequence[str]) -> bool:
    is_word = len(run) >= _SHORTEST and not run.isdigit()
    return run in runs or (is_word and any(one.startswith(run) for one in runs))


def _is_in(name: str, word: str) -> bool:
    """Whether a word stands in a name, with no number cut in two."""
    word = word.casefold()
    if word in _OF_A_SENTENCE:
        return word in _runs(name)
    before, after = r"(?<!\d)" * word[:1].isdigit(), r"(?!\d)" * word[-1:].isdigit()
    return len(word) >= _LEAST and re.search(before + re.escape(word) + after, name) is not None
