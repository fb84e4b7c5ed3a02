"""What a hostile file may cost."""

from __future__ import annotations

NO_TIME = 20.0
"""Seconds of the process's own time. Work that grows with the input takes a fraction of one, work
that grows with its square takes minutes; between them lie slow machines, coverage and tracing."""
