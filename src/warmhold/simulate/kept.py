"""Machine code that is kept on disk and runs without the compiler that made it.

The compiler takes longer to start than a trip to be simulated. So what it made once is kept as an
object file: one function of arrays and numbers that calls nothing outside itself. A later start
only loads it. The file's name is made from the sources, the processor and the library that loads
it, so that an edited equation can never run from an old file; one that is not whole is made anew.
"""

from __future__ import annotations

import ctypes
import hashlib
import os
import stat
import tempfile
from collections.abc import Callable
from functools import cache
from pathlib import Path
from typing import Any, Final

import llvmlite  # type: ignore[import-untyped]
import llvmlite.binding as llvm  # type: ignore[import-untyped]
import numpy as np

from warmhold.simulate.block import Kind

MARK: Final = b"warmhold machine code 1\n"
_DIGEST: Final = 32  # bytes of SHA-256

Built = tuple[str, bytes]  # name of the function, object file


@cache
def sources_mark() -> str:
    """A name for the sources that machine code is made from."""
    package = Path(__file__).resolve().parent.parent
    mark = hashlib.sha256()
    for folder in ("science", "simulate"):
        for part in sorted((package / folder).glob("*.py")):
            mark.update(part.read_bytes())
    return mark.hexdigest()[:16]


@cache
def cache_folder() -> Path | None:
    """Folder for machine code: ours alone, and writable; None when there is none.

    Machine code is run as it stands, so a folder that somebody else owns or may write to is left
    alone.
    """
    base = os.environ.get("XDG_CACHE_HOME") or str(Path.home() / ".cache")
    mine = f"warmhold-{os.getuid()}" if hasattr(os, "getuid") else "warmhold"
    for root in (Path(base) / "warmhold", Path(tempfile.gettempdir()) / mine):
        folder = root / sources_mark()
        try:
            root.mkdir(mode=0o700, parents=True, exist_ok=True)
            folder.mkdir(mode=0o700, exist_ok=True)
            if not (_ours(root) and _ours(folder)):
                continue
            probe = folder / f".probe-{os.getpid()}"
            probe.touch()
            probe.unlink()
        except OSError:
            continue
        return folder
    return None


def _ours(folder: Path) -> bool:
    if not hasattr(os, "getuid"):
        return True
    seen = folder.lstat()
    shared = seen.st_mode & (stat.S_IWGRP | stat.S_IWOTH)
    return stat.S_ISDIR(seen.st_mode) and seen.st_uid == os.getuid() and not shared


def machine() -> Any:
    """The processor that code is made for, with all that it can do; an engine keeps its own."""
    llvm.initialize_native_target()
    llvm.initialize_native_asmprinter()
    return llvm.Target.from_default_triple().create_target_machine(
        cpu=llvm.get_host_cpu_name(), features=_features(), opt=3, codemodel="jitdefault", jit=True
    )


def _features() -> str:
    return str(llvm.get_host_cpu_features().flatten())


def _place(name: str) -> Path | None:
    folder = cache_folder()
    if folder is None:
        return None
    made_for = f"{llvmlite.__version__} {llvm.get_host_cpu_name()} {_features()}"
    return folder / f"{name}-{hashlib.sha256(made_for.encode()).hexdigest()[:16]}.code"


def read(path: Path) -> Built | None:
    """Read a function back; None when it is not there or not whole."""
    try:
        content = path.read_bytes()
    except OSError:
        return None
    whole, head = content[len(MARK) + _DIGEST :], content[: len(MARK) + _DIGEST]
    if head != MARK + hashlib.sha256(whole).digest():
        return None
    name, _, code = whole.partition(b"\n")
    return name.decode("ascii"), code


def write(path: Path, built: Built) -> None:
    """Keep a function, whole or not at all; a disk that takes nothing only costs time."""
    whole = built[0].encode("ascii") + b"\n" + built[1]
    fresh = path.with_name(f".{path.name}-{os.getpid()}")
    try:
        fresh.write_bytes(MARK + hashlib.sha256(whole).digest() + whole)
        fresh.replace(path)
    except OSError:
        fresh.unlink(missing_ok=True)


class Function:
    """Loaded machine code, called with arrays and numbers; other threads run meanwhile.

    It follows the calling convention of the compiler's functions: where to put a result and an
    error, then each array as (owner, parent, items, bytes an item, address, lengths, strides).
    Arrays must fit the kinds exactly, in C order: nothing is looked at.
    """

    def __init__(self, built: Built, kinds: tuple[Kind, ...]) -> None:
        """Load it."""
        name, code = built
        self._engine = llvm.create_mcjit_compiler(llvm.parse_assembly(""), machine())
        self._engine.add_object_file(llvm.ObjectFileRef.from_data(code))
        self._engine.finalize_object()
        address = self._engine.get_function_address(name)
        if not address:
            raise OSError(f"no function {name} in the machine code")
        types: list[Any] = [ctypes.c_void_p, ctypes.c_void_p]
        for kind in kinds:
            if isinstance(kind, int):
                types += [ctypes.c_void_p] * 2 + [ctypes.c_ssize_t] * 2 + [ctypes.c_void_p]
                types += [ctypes.c_ssize_t] * (2 * kind)
            else:
                types.append(ctypes.c_double if kind is float else ctypes.c_int64)
        self._call = ctypes.CFUNCTYPE(ctypes.c_int32, *types)(address)
        self._kinds = kinds

    def __call__(self, *given: Any) -> None:
        """Run it."""
        result, error = ctypes.c_void_p(), ctypes.c_void_p()
        flat: list[Any] = [ctypes.addressof(result), ctypes.addressof(error)]
        for kind, item in zip(self._kinds, given, strict=True):
            if isinstance(kind, int):
                array: np.ndarray[Any, Any] = item
                assert array.ndim == kind, (array.ndim, kind)
                assert array.flags.c_contiguous
                flat += [None, None, array.size, array.itemsize, array.ctypes.data]
                flat += [*array.shape, *array.strides]
            else:
                flat.append(item)
        status = self._call(*flat)
        if status not in (0, -2):  # done, or done with nothing to return
            raise RuntimeError(f"machine code ended with status {status}")


def function(name: str, kinds: tuple[Kind, ...], build: Callable[[], Built]) -> Function:
    """Load a function that was kept, or have it built and keep it.

    Parameters
    ----------
    name : of the file
    kinds : of its arguments: the dimensions of an array, or ``int`` or ``float``
    build : makes it; called only when there is none that is whole
    """
    path = _place(name)
    built = None if path is None else read(path)
    if built is None:
        built = build()
        if path is not None:
            write(path, built)
    return Function(built, kinds)
