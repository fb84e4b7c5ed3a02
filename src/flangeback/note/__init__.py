"""Notes made on the spot, into the session log."""

from flangeback.note.noting import Noted, add_note, undo_note

__all__ = ["Noted", "add_note", "undo_note"]
