"""Records what SQLite writes and syncs, so that a test can make the files as a power cut leaves them.

SQLite reaches the disk through a table of functions, its VFS. `Recorder` makes a copy of the usual one the default, in
which `xWrite`, `xTruncate`, `xSync` and the deletion of a file are written down before the usual function is called:
nothing is guessed, these are the calls that reach the kernel. Structures and meanings: "sqlite3_vfs" and
"sqlite3_io_methods" in SQLite's C interface documentation. Python's own renaming of files is told by the test.

It needs the SQLite library that Python's `sqlite3` uses: it is asked for its symbols through that extension module.
"""

from __future__ import annotations

import _sqlite3
import ctypes
from collections.abc import Callable
from ctypes import CFUNCTYPE, POINTER, Structure, c_char_p, c_int, c_int64, c_void_p, cast
from pathlib import Path
from random import Random
from typing import Any, NamedTuple

_OPEN = CFUNCTYPE(c_int, c_void_p, c_void_p, c_void_p, c_int, POINTER(c_int))
_DELETE = CFUNCTYPE(c_int, c_void_p, c_char_p, c_int)
_CLOSE = CFUNCTYPE(c_int, c_void_p)
_WRITE = CFUNCTYPE(c_int, c_void_p, c_void_p, c_int, c_int64)
_TRUNCATE = CFUNCTYPE(c_int, c_void_p, c_int64)
_SYNC = CFUNCTYPE(c_int, c_void_p, c_int)
SECTOR_BYTES = 512


class _Methods(Structure):
    """Version 3 has these and no more (sqlite3_io_methods)."""

    _fields_ = [
        ("iVersion", c_int),
        ("xClose", _CLOSE),
        ("xRead", c_void_p),
        ("xWrite", _WRITE),
        ("xTruncate", _TRUNCATE),
        ("xSync", _SYNC),
        *[(f"x{number}", c_void_p) for number in range(13)],
    ]


class _File(Structure):
    _fields_ = [("pMethods", POINTER(_Methods))]


class _Vfs(Structure):
    _fields_ = [
        ("iVersion", c_int),
        ("szOsFile", c_int),
        ("mxPathname", c_int),
        ("pNext", c_void_p),
        ("zName", c_char_p),
        ("pAppData", c_void_p),
        ("xOpen", _OPEN),
        ("xDelete", _DELETE),
        *[(f"x{number}", c_void_p) for number in range(14)],
    ]


class Written(NamedTuple):
    """Bytes handed to the kernel; without bytes, the file was cut to `at` bytes; with `at` -1, deleted."""

    path: str
    at: int
    data: bytes | None


class Synced(NamedTuple):
    """Everything written to this file before is on the disk."""

    path: str


class Recorder:
    """While it is entered, every SQLite file opened in this process is recorded.

    Attributes:
        calls: Everything in its order.
        refuse: Asked before a write with path and place; True makes it fail as a full disk does.
    """

    def __init__(self) -> None:
        self.calls: list[Written | Synced] = []
        self.refuse: Callable[[str, int], bool] = lambda _path, _at: False
        self._library = ctypes.CDLL(_sqlite3.__file__)
        self._library.sqlite3_vfs_find.restype = c_void_p
        self._library.sqlite3_vfs_find.argtypes = [c_char_p]
        self._library.sqlite3_vfs_register.argtypes = [c_void_p, c_int]
        self._library.sqlite3_vfs_unregister.argtypes = [c_void_p]
        self._usual = self._library.sqlite3_vfs_find(None)
        self._usual_vfs = cast(self._usual, POINTER(_Vfs)).contents
        self._vfs = _Vfs.from_buffer_copy(self._usual_vfs)
        self._vfs.zName, self._vfs.pNext = b"recorded", None
        self._open, self._delete = _OPEN(self._opened), _DELETE(self._deleted)
        self._vfs.xOpen, self._vfs.xDelete = self._open, self._delete
        self._methods: dict[int, Any] = {}  # by address of the usual ones; they must live as long as the files
        self._paths: dict[int, str] = {}

    def __enter__(self) -> Recorder:
        assert self._library.sqlite3_vfs_register(ctypes.byref(self._vfs), 1) == 0
        return self

    def __exit__(self, *_: object) -> None:
        self._library.sqlite3_vfs_unregister(ctypes.byref(self._vfs))
        self._library.sqlite3_vfs_register(self._usual, 1)

    def bytes_written(self) -> int:
        """All bytes handed to the kernel."""
        return sum(len(call.data) for call in self.calls if isinstance(call, Written) and call.data)

    def _opened(self, _vfs: int, path: int, file: int, flags: int, out: Any) -> int:
        status = self._usual_vfs.xOpen(self._usual, path, file, flags, out)
        opened = cast(file, POINTER(_File)).contents
        if status == 0 and opened.pMethods:
            name = cast(path, c_char_p).value if path else None
            self._paths[file] = name.decode() if name else ""
            opened.pMethods = ctypes.pointer(self._recording(opened.pMethods.contents))
        return int(status)

    def _deleted(self, _vfs: int, path: bytes, sync: int) -> int:
        self.calls.append(Written(path.decode(), -1, None))
        return int(self._usual_vfs.xDelete(self._usual, path, sync))

    def _recording(self, usual: _Methods) -> _Methods:
        key = ctypes.addressof(usual)
        if key in self._methods:
            return self._methods[key][0]

        def write(file: int, data: int, length: int, at: int) -> int:
            if self.refuse(self._paths[file], at):
                return 13  # SQLITE_FULL
            self.calls.append(Written(self._paths[file], at, ctypes.string_at(data, length)))
            return int(usual.xWrite(file, data, length, at))

        def truncate(file: int, length: int) -> int:
            self.calls.append(Written(self._paths[file], length, None))
            return int(usual.xTruncate(file, length))

        def sync(file: int, flags: int) -> int:
            status = int(usual.xSync(file, flags))
            self.calls.append(Synced(self._paths[file]))
            return status

        own = _Methods.from_buffer_copy(usual)
        functions = _WRITE(write), _TRUNCATE(truncate), _SYNC(sync)
        own.xWrite, own.xTruncate, own.xSync = functions
        self._methods[key] = own, functions
        return own


class Disk:
    """What a disk holds of one file when the power goes after some calls."""

    def __init__(self, name: str) -> None:
        self._name = name
        self._safe = bytearray()
        self._unsafe: list[Written] = []  # handed to the kernel since the last sync

    def take(self, call: Written | Synced) -> None:
        """A call happened; those of other files change nothing."""
        if Path(call.path).name != self._name:
            return
        if isinstance(call, Synced):
            for write in self._unsafe:
                self._apply(self._safe, write)
            self._unsafe = []
        else:
            self._unsafe.append(call)

    def left(self, dice: Random | None) -> bytes:
        """The file after the power went: as of its last sync, or with some of what was written since, in any order.

        Args:
            dice: Which of the later writes reach the disk, whole or some of their sectors; None for none of them.
        """
        content = bytearray(self._safe)
        if dice:
            kept = self._unsafe[: dice.randint(0, len(self._unsafe))] if dice.random() < 0.5 else list(self._unsafe)
            for write in kept:
                fate = dice.random()
                if fate < 0.3:
                    continue
                if fate < 0.6 and write.data:
                    self._tear(content, write, dice)
                else:
                    self._apply(content, write)
        return bytes(content)

    def _tear(self, content: bytearray, write: Written, dice: Random) -> None:
        assert write.data
        end = write.at + len(write.data)
        for start in range(write.at - write.at % SECTOR_BYTES, end, SECTOR_BYTES):
            if dice.random() < 0.5:
                first, last = max(start, write.at), min(start + SECTOR_BYTES, end)
                piece = write.data[first - write.at : last - write.at]
                self._apply(content, Written(write.path, first, piece))

    def _apply(self, content: bytearray, write: Written) -> None:
        if write.at < 0:
            content.clear()
        elif write.data is None:
            del content[write.at :]
        else:
            content.extend(bytes(max(0, write.at - len(content))))
            content[write.at : write.at + len(write.data)] = write.data
