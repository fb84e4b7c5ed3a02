"""The command line: one file per command, no logic of its own."""

from __future__ import annotations

import sys

_INTERRUPTED = 130
"""How typer ends where it is interrupted before a command begins."""


def main() -> None:
    """The entry point of `flangeback`."""
    try:
        _main()
    except KeyboardInterrupt:  # Also while modules are still being loaded.
        pass
    except SystemExit as ending:
        if ending.code != _INTERRUPTED:
            raise
    else:
        return
    print("stopped", file=sys.stderr)
    sys.exit(2)


def _main() -> None:
    import gc
    import os

    # No matrix of a command is large enough for a thread for each core, which costs a third of
    # numpy's time to load.
    os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")
    # A command makes many small objects that stay and hardly any cycles: looking for those at
    # every 700 new ones is a tenth of its time.
    gc.set_threshold(100_000)
    from flangeback.cli.app import app
    from flangeback.cli.ending import end_of_crash, replace_what_cant_be_shown

    replace_what_cant_be_shown()
    try:
        app()
    except Exception as error:
        end_of_crash(error)
