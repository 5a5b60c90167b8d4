"""What stands in the way of a record, said so that it can be mended."""

from __future__ import annotations

import errno
import sqlite3


class Trouble(Exception):
    """The record cannot do what was asked; nothing was half done.

    reason : what is wrong, in plain words
    todo : what to do about it
    """

    def __init__(self, reason: str, todo: str = "") -> None:
        """Keep the reason and what to do."""
        super().__init__(f"{reason} {todo}".strip())
        self.reason = reason
        self.todo = todo


# The extended names of SQLite's result codes begin with the names of the primary ones.
_BY_NAME = (
    ("SQLITE_FULL", "The disk is full: the entry was not saved.",
     "Free some space, then send the entry again."),
    ("SQLITE_READONLY", "The record cannot be written: its folder or file is read-only.",
     "Choose a folder that this user may write to."),
    ("SQLITE_PERM", "This user may not open the record.",
     "Choose a folder that this user may write to."),
    ("SQLITE_CANTOPEN", "The record's file cannot be opened.",
     "See that the folder is there and that this user may write to it."),
    ("SQLITE_BUSY", "Another program kept the record's file locked.",
     "Close the other program, then send the entry again."),
    ("SQLITE_LOCKED", "Another program kept the record's file locked.",
     "Close the other program, then send the entry again."),
    ("SQLITE_CORRUPT", "The record's file is damaged.",
     "Start warmhold again: it keeps the damaged file and recovers what is whole."),
    ("SQLITE_NOTADB", "The record's file is damaged.",
     "Start warmhold again: it keeps the damaged file and recovers what is whole."),
    ("SQLITE_IOERR", "The disk did not take the entry: it was not saved.",
     "See whether the disk is full or failing; write on paper until an entry is saved."),
)  # fmt: skip


# What using a file can raise. Python raises the second when SQLite quotes damaged text.
FAILURES = (sqlite3.Error, UnicodeDecodeError)


def from_sqlite(error: Exception) -> Trouble:
    """Say in plain words what SQLite ran into; for an error of `FAILURES`."""
    name = "SQLITE_CORRUPT" if isinstance(error, UnicodeDecodeError) else error_name(error)
    for start, reason, todo in _BY_NAME:
        if name.startswith(start):
            return Trouble(reason, todo)
    return Trouble(
        f"The record could not be read or written ({error}).",
        "Write on paper until an entry is saved; report this line.",
    )


def error_name(error: Exception) -> str:
    """Return SQLite's name of the result code, empty when there is none."""
    return str(getattr(error, "sqlite_errorname", "") or "")


def from_os(error: OSError, what: str) -> Trouble:
    """Say in plain words why a file or folder could not be used.

    what : the file or folder, as the reader knows it
    """
    if error.errno in (errno.ENOSPC, errno.EDQUOT, errno.EFBIG):
        return Trouble(f"The disk is full: {what}.", "Free some space, then try again.")
    if error.errno in (errno.EROFS, errno.EACCES, errno.EPERM):
        return Trouble(
            f"{what} cannot be written: it is read-only for this user.",
            "Choose a folder that this user may write to.",
        )
    reason = error.strerror or str(error)
    return Trouble(f"{what} cannot be used: {reason}.", "Choose another folder or mend this one.")
