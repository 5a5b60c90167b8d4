"""Large work in pieces: in this process, on local processes, or on a Dask cluster.

A job is cut into pieces of consecutive numbers. What a piece gives depends on the job and on its
numbers alone, and the results are put together in the order of the pieces: whatever ran them, in
whatever order they ended, the outcome is the same bit for bit. A piece whose worker died is run
again and counts once. Results are small tables of arrays, so that memory does not grow with the
rows that were looked at. Finished pieces can be kept in a folder, from which a run that was
stopped goes on.

Same bits need the same code and the same libraries: each result carries a mark of both, and a
worker that differs is refused. Another kind of processor may still differ in the last digit of a
logarithm or a power.
"""

from __future__ import annotations

import contextlib
import hashlib
import io
import json
import multiprocessing
import os
import platform
import signal
import sys
import tempfile
import threading
from collections import deque
from collections.abc import Callable, Iterator, Mapping, Sequence
from concurrent.futures import FIRST_COMPLETED, Future, ProcessPoolExecutor, wait
from concurrent.futures.process import BrokenProcessPool
from dataclasses import dataclass
from functools import lru_cache
from importlib import import_module, metadata
from multiprocessing.connection import wait as wait_for_end
from pathlib import Path
from typing import Any, Final, Protocol

import numpy as np
from numpy.typing import NDArray

from warmhold.simulate.stepping import THREADS

Summary = Mapping[str, NDArray[Any]]
Task = Callable[[], Summary]
Progress = Callable[[int, int], None]

AT_ONCE: Final = 2  # pieces handed to each worker beforehand
LOSSES_IN_A_ROW: Final = 3  # workers lost without one piece finished: something is wrong
CLUSTER_WAITS_S: Final = 30
_LAYERS: Final = ("science", "model", "simulate", "plan", "review", "data")
_FIRST_LINE: Final = b"warmhold piece 1\n"


class WorkFault(Exception):
    """Work that cannot be done as asked, in one sentence for the person who asked."""


class Job(Protocol):
    """What is to be done for the numbers 0 to ``count`` - 1."""

    @property
    def identity(self) -> str:
        """Everything that the results depend on, but for the code; one line of text."""

    @property
    def count(self) -> int:
        """How many numbers there are."""

    def part(self, first: int, end: int) -> Task:
        """Return the work for the numbers from ``first`` up to but without ``end``.

        It can be sent to another process, and carries no more than it needs.
        """


@dataclass(frozen=True)
class Piece:
    """Consecutive numbers of a job, ``end`` not included."""

    number: int
    first: int
    end: int


class Where(Protocol):
    """Something that runs pieces."""

    def finish(self, job: Job, pieces: Sequence[Piece]) -> Iterator[tuple[int, Summary]]:
        """Give number and result of every piece, in any order."""


def pieces(count: int, size: int) -> tuple[Piece, ...]:
    """Cut ``count`` numbers into pieces of ``size``; the last one may be smaller."""
    if count < 0 or size < 1:
        raise ValueError(f"{count} numbers in pieces of {size}: a size of 1 or more is needed")
    return tuple(
        Piece(number, first, min(first + size, count))
        for number, first in enumerate(range(0, count, size))
    )


def run(
    job: Job, *, where: Where, size: int, keep: Path | None = None,
    progress: Progress | None = None, say: Callable[[str], None] | None = None,
) -> list[Summary]:  # fmt: skip
    """Run a job and return what its pieces gave, in the order of the pieces.

    Parameters
    ----------
    job : what is to be done
    where : `Here`, `Processes` or `OnDask`
    size : numbers in a piece; results do not depend on where a piece ran, but a sum of rounded
        numbers may depend on how they were cut
    keep : folder of finished pieces, made if need be; those of an earlier run are taken from it
    progress : called with the pieces that are finished and how many there are
    say : called with a sentence when something is worth knowing

    Raises ``WorkFault`` when the folder holds another run, or workers are lost again and again.
    """
    every = pieces(job.count, size)
    shelf = None if keep is None else Shelf.open(keep, job, size)
    found: dict[int, Summary] = {}
    if shelf is not None:
        for piece in every:
            kept = shelf.take(piece)
            if kept is not None:
                found[piece.number] = kept
        if say is not None and found:
            say(f"{len(found)} of {len(every)} pieces were kept from before.")
        if say is not None and shelf.damaged:
            say(f"{shelf.damaged} kept pieces are damaged and are made again.")
    if progress is not None:
        progress(len(found), len(every))
    left = [piece for piece in every if piece.number not in found]
    for number, summary in where.finish(job, left) if left else ():
        if number in found:
            continue
        found[number] = summary
        if shelf is not None:
            shelf.put(every[number], summary)
        if progress is not None:
            progress(len(found), len(every))
    return [found[piece.number] for piece in every]


# --- in this process -----------------------------------------------------------------------------


@dataclass(frozen=True)
class Here:
    """One piece after the other, in this process."""

    def finish(self, job: Job, pieces: Sequence[Piece]) -> Iterator[tuple[int, Summary]]:
        """Give number and result of every piece."""
        for piece in pieces:
            with _one_at_a_time:
                made = job.part(piece.first, piece.end)()
            yield piece.number, made


# --- on local processes --------------------------------------------------------------------------


@dataclass(frozen=True)
class Processes:
    """Pieces on processes of this computer; a piece whose process was killed is run again."""

    workers: int

    def finish(self, job: Job, pieces: Sequence[Piece]) -> Iterator[tuple[int, Summary]]:
        """Give number and result of every piece, as they end."""
        if self.workers < 1:
            raise ValueError(f"{self.workers} workers: 1 or more are needed")
        waiting = deque(pieces)
        losses = 0
        while waiting:
            before = len(waiting)
            yield from self._until_one_is_lost(job, waiting)
            losses = losses + 1 if len(waiting) == before else 0
            if waiting and losses >= LOSSES_IN_A_ROW:
                numbers = f"{waiting[0].first} to {waiting[0].end - 1}"
                raise WorkFault(
                    f"A worker was lost {losses} times in a row, the last time near the numbers "
                    f"{numbers}; too little memory is the usual reason. Try fewer workers."
                )

    def _until_one_is_lost(
        self, job: Job, waiting: deque[Piece]
    ) -> Iterator[tuple[int, Summary]]:  # fmt: skip
        """Run what waits; when a worker is lost, what it and the others had waits again."""
        pool = ProcessPoolExecutor(
            self.workers, multiprocessing.get_context("spawn"), _begin_worker
        )
        flying: dict[Future[_Made], Piece] = {}
        lost = done = False
        try:
            while (waiting or flying) and not lost:
                while waiting and len(flying) < AT_ONCE * self.workers:
                    piece = waiting[0]
                    try:
                        future = pool.submit(_made, job.part(piece.first, piece.end))
                    except BrokenProcessPool:
                        lost = True
                        break
                    flying[future] = waiting.popleft()
                ended, _ = wait(flying, return_when=FIRST_COMPLETED)
                for future in ended:
                    try:
                        made = future.result()
                    except BrokenProcessPool:
                        lost = True
                        continue
                    piece = flying.pop(future)
                    yield piece.number, made.checked()
            waiting.extend(flying.values())
            done = True
        finally:
            pool.shutdown(wait=done, cancel_futures=True)


def _begin_worker() -> None:
    """Leave the keyboard's interrupt to the parent, use one processor, end with the parent."""
    signal.signal(signal.SIGINT, signal.SIG_IGN)
    _on_one_processor()
    parent = multiprocessing.parent_process()
    if parent is not None:
        threading.Thread(target=_end_with, args=(parent.sentinel,), daemon=True).start()


def _end_with(sentinel: int) -> None:
    wait_for_end([sentinel])
    os._exit(1)


def _on_one_processor() -> None:
    """Keep compiled loops to one processor: the workers share them out among themselves."""
    os.environ[THREADS] = "1"
    numba = sys.modules.get("numba")
    if numba is None:
        os.environ["NUMBA_NUM_THREADS"] = "1"
    else:
        numba.set_num_threads(1)


# --- on a cluster --------------------------------------------------------------------------------


@dataclass(frozen=True)
class OnDask:
    """Pieces on the workers of a Dask scheduler, which hands those of a lost worker to others.

    address : such as tcp://host:8786
    """

    address: str

    def finish(self, job: Job, pieces: Sequence[Piece]) -> Iterator[tuple[int, Summary]]:
        """Give number and result of every piece, as they end."""
        try:
            dask: Any = import_module("distributed")
        except ImportError as error:
            raise WorkFault(
                'A cluster needs Dask, which is not installed: pip install "warmhold[cluster]".'
            ) from error
        try:
            client = dask.Client(self.address, timeout=CLUSTER_WAITS_S, set_as_default=False)
        except (OSError, ValueError) as error:
            raise WorkFault(f"No Dask scheduler answers at {self.address}: {error}.") from error
        with client:
            try:
                client.wait_for_workers(1, timeout=CLUSTER_WAITS_S)
            except TimeoutError as error:
                raise WorkFault(f"The scheduler at {self.address} has no worker.") from error
            waiting = deque(pieces)
            flying: dict[str, Piece] = {}
            ended = dask.as_completed(loop=client.loop)

            def send() -> None:
                piece = waiting.popleft()
                future = client.submit(_made, job.part(piece.first, piece.end), pure=False)
                flying[future.key] = piece
                ended.add(future)

            for _ in range(
                min(len(waiting), 2 * AT_ONCE * max(1, sum(client.nthreads().values())))
            ):
                send()
            for future in ended:
                try:
                    made = future.result()
                except dask.scheduler.KilledWorker as error:
                    raise WorkFault(
                        "A piece was given up by the cluster: each worker that had it was lost. "
                        "Too little memory is the usual reason."
                    ) from error
                piece = flying.pop(future.key)
                future.release()
                yield piece.number, made.checked()
                if waiting:
                    send()
            if flying:
                raise WorkFault(f"The cluster at {self.address} was lost before the end.")


def where_of(
    workers: int | None, on: str | None, count: int, size: int, few: int = 1
) -> Where:  # fmt: skip
    """Choose what runs a job.

    workers : processes on this computer; ``None`` for as many as it has processors
    on : dask://host:port, or ``None`` for this computer
    count, size : numbers, and numbers in a piece: one piece alone is run in this process
    few : pieces up to which processes are not worth their start, unless they were asked for

    Raises ``WorkFault`` for an address that is none.
    """
    if on is not None:
        if workers is not None:
            raise WorkFault("Workers are those of the cluster: give --on or --workers, not both.")
        kind, separator, place = on.partition("://")
        host, colon, port = place.rpartition(":")
        if kind != "dask" or not (separator and colon and host and port.isdigit()):
            raise WorkFault(f"{on} is no address of a cluster; write dask://host:port.")
        return OnDask(f"tcp://{place}")
    number = -(-count // size)
    if workers is None and number <= few:
        return Here()
    wanted = min(workers or os.cpu_count() or 1, number)
    return Here() if wanted <= 1 else Processes(wanted)


# --- what a worker gives, and a mark of what made it ---------------------------------------------

_one_at_a_time = threading.Lock()  # compiled parallel loops may not be entered twice at once


@dataclass(frozen=True)
class _Made:
    """What a piece gave, and the mark of the code that made it."""

    mark: str
    summary: dict[str, NDArray[Any]]

    def checked(self) -> Summary:
        """Return the result, or raise when other code made it."""
        if self.mark != mark():
            raise WorkFault(
                "A worker has another version of warmhold, of its data or of a library than this "
                "computer; results would not be the same. Bring both to the same version."
            )
        return self.summary


def _made(task: Task) -> _Made:
    """Run one piece; on a worker."""
    with _one_at_a_time:
        _on_one_processor()
        return _Made(mark(), dict(task()))


@lru_cache(maxsize=1)
def mark() -> str:
    """Fingerprint of all that results depend on but the job: code, shipped data, libraries."""
    package = Path(__file__).resolve().parent.parent
    found = hashlib.sha256()
    for layer in _LAYERS:
        for path in sorted((package / layer).rglob("*")):
            if path.suffix in {".py", ".toml"}:
                found.update(f"{path.relative_to(package).as_posix()}\n".encode())
                found.update(path.read_bytes())
    versions = [platform.python_version()]
    for name in ("numpy", "numba"):
        with contextlib.suppress(metadata.PackageNotFoundError):
            versions.append(f"{name} {metadata.version(name)}")
    found.update(" ".join(versions).encode())
    return found.hexdigest()


# --- finished pieces in a folder -----------------------------------------------------------------


@dataclass
class Shelf:
    """Finished pieces of one run in a folder, each a file that is whole or not there.

    damaged : pieces that were found and did not agree with their own hash
    """

    folder: Path
    run: str
    damaged: int = 0

    @classmethod
    def open(cls, folder: Path, job: Job, size: int) -> Shelf:
        """Open a folder for one run; a folder that holds anything else is refused."""
        facts = {
            "format": 1,
            "what": "finished pieces of a warmhold run",
            "job": hashlib.sha256(job.identity.encode()).hexdigest(),
            "count": job.count,
            "size": size,
            "made_with": mark(),
        }
        text = json.dumps(facts, indent=1, sort_keys=True) + "\n"
        head = folder / "run.json"
        try:
            folder.mkdir(mode=0o700, parents=True, exist_ok=True)
            if head.exists():
                cls._same(folder, head, facts)
            elif any(not one.name.startswith(".part-") for one in folder.iterdir()):
                raise WorkFault(f"{folder} holds other files: name a new folder to keep pieces in.")
            else:
                _write_whole(head, text.encode())
        except OSError as error:
            raise WorkFault(f"{folder} cannot be used: {error.strerror}.") from error
        return cls(folder, hashlib.sha256(text.encode()).hexdigest())

    @staticmethod
    def _same(folder: Path, head: Path, facts: Mapping[str, Any]) -> None:
        try:
            kept = json.loads(head.read_text("utf-8"))
        except (ValueError, UnicodeDecodeError) as error:
            raise WorkFault(f"{head} cannot be read: name a new folder.") from error
        if kept == facts:
            return
        same_job = isinstance(kept, dict) and kept.get("job") == facts["job"]
        raise WorkFault(
            f"{folder} keeps pieces that "
            + ("another version of warmhold made" if same_job else "belong to another run")
            + ": name another folder, or ask for the same again."
        )

    def _path(self, piece: Piece) -> Path:
        return self.folder / f"piece-{piece.number:06d}"

    def _hash(self, piece: Piece, body: bytes) -> bytes:
        head = f"{self.run} {piece.number} {piece.first} {piece.end}\n".encode()
        return hashlib.sha256(head + body).hexdigest().encode() + b"\n"

    def take(self, piece: Piece) -> Summary | None:
        """Return a kept piece; ``None`` when there is none, or a damaged one."""
        try:
            whole = self._path(piece).read_bytes()
        except FileNotFoundError:
            return None
        except OSError as error:
            raise WorkFault(f"{self._path(piece)} cannot be read: {error.strerror}.") from error
        head = len(_FIRST_LINE)
        body = whole[head + 65 :]
        if whole[:head] != _FIRST_LINE or whole[head : head + 65] != self._hash(piece, body):
            self.damaged += 1
            return None
        with np.load(io.BytesIO(body), allow_pickle=False) as arrays:
            return {name: arrays[name] for name in arrays.files}

    def put(self, piece: Piece, summary: Summary) -> None:
        """Keep a piece."""
        memory = io.BytesIO()
        arrays: dict[str, Any] = dict(summary)
        np.savez(memory, allow_pickle=False, **arrays)
        body = memory.getvalue()
        try:
            _write_whole(self._path(piece), _FIRST_LINE + self._hash(piece, body) + body)
        except OSError as error:
            raise WorkFault(
                f"A piece cannot be kept in {self.folder}: {error.strerror}."
            ) from error


def _write_whole(path: Path, content: bytes) -> None:
    """Write a file beside its place, let it reach the disk, and move it there."""
    handle, name = tempfile.mkstemp(dir=path.parent, prefix=".part-")
    part = Path(name)
    try:
        with os.fdopen(handle, "wb") as file:
            file.write(content)
            file.flush()
            os.fsync(file.fileno())
        part.replace(path)
    except BaseException:
        part.unlink(missing_ok=True)
        raise
