"""flangeback back-fills the lens data that adapted manual lenses leave blank.

Every stage is a plain function that a script can call, in one direction:

    read_session -> match_frames -> fill -> verify

    from pathlib import Path
    import flangeback

    folder = Path("frames")
    session = flangeback.read_session(folder)
    matches = flangeback.match_frames(session.frames, session.logs, session.kit)
    filled = flangeback.fill(matches, folder, Path("filled"))

The kit answers questions of its own: fits(lenses, bodies, kit) says what fits what, cards(kit)
what to key into the stabiliser.

Wrong input raises InputError, which holds every problem found.
"""

from typing import Any

__version__ = "0.1.0"


# What is offered stands in __init__.pyi (SPEC 1, Scientific Python), which is read when something
# is asked for. A stage is imported when it is first asked for, so that a command loads what it
# needs.
def __getattr__(name: str) -> Any:
    import lazy_loader

    found, listed, every = lazy_loader.attach_stub(__name__, __file__)
    globals().update(__getattr__=found, __dir__=listed, __all__=every)
    return every if name == "__all__" else found(name)


def __dir__() -> list[str]:
    return list(__getattr__("__all__"))
