"""Long work in the background: plans, bench tests, fits; one by one, each with its progress."""

from __future__ import annotations

import logging
import threading
from collections import OrderedDict
from collections.abc import Callable
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass, field

log = logging.getLogger("warmhold.web")

Progress = Callable[[str, float], None]
MOST_KEPT = 200


@dataclass(frozen=True)
class Made:
    """What a piece of work makes, in words for the page that waits for it.

    what : such as "plan"
    after : where its result is found when nobody waits
    back : address of the page that it began from, and ``back_word`` its name
    """

    what: str
    after: str
    back: str
    back_word: str


PLAN = Made("plan", "the trip then stands in the list", "/", "All trips")


@dataclass
class Job:
    """One piece of work. ``address`` is where its result is once ``state`` is done."""

    key: str
    title: str
    made: Made = PLAN
    state: str = "waiting"  # waiting | working | done | failed
    stage: str = "waiting for its turn"
    share: float = 0.0
    address: str = ""
    problem: str = ""
    ended: threading.Event = field(default_factory=threading.Event, repr=False)


class Jobs:
    """Works through jobs, one at a time; the same key never runs twice."""

    def __init__(self) -> None:
        """Begin without any."""
        self._pool = ThreadPoolExecutor(max_workers=1, thread_name_prefix="plan")
        self._lock = threading.Lock()
        self._jobs: OrderedDict[str, Job] = OrderedDict()

    def get(self, key: str) -> Job | None:
        """Return a job by its key."""
        return self._jobs.get(key)

    def start(
        self, key: str, title: str, work: Callable[[Progress], str], made: Made = PLAN
    ) -> Job:
        """Do some work that returns the address of its result; a repeat gives the first job.

        Work that failed is done again: nothing came of it.
        """
        with self._lock:
            kept = self._jobs.get(key)
            if kept is not None and kept.state != "failed":
                return kept
            job = self._jobs[key] = Job(key, title, made)
            while len(self._jobs) > MOST_KEPT:
                self._jobs.popitem(last=False)
        self._pool.submit(self._do, job, work)
        return job

    def _do(self, job: Job, work: Callable[[Progress], str]) -> None:
        def tell(stage: str, share: float) -> None:
            job.stage, job.share = stage, min(1.0, max(0.0, share))

        job.state = "working"
        try:
            job.address = work(tell)
            job.state, job.stage, job.share = "done", "done", 1.0
        except Exception as error:  # shown on the page of the job
            job.problem = str(getattr(error, "shown", ""))
            if job.problem:  # told in words by whoever raised it
                log.warning("no %s: %s", job.made.what, job.problem)
            else:
                log.exception("a piece of work failed: %s", job.made.what)
                job.problem = _in_words(error, job.made)
            job.state = "failed"
        finally:
            job.ended.set()

    def close(self) -> None:
        """Let no more work begin."""
        self._pool.shutdown(wait=False, cancel_futures=True)


def _in_words(error: Exception, made: Made) -> str:
    from warmhold.model import FaultyInput  # noqa: PLC0415

    if isinstance(error, FaultyInput):
        return str(error)
    if made is PLAN:
        return (
            "warmhold itself failed while planning; this is not a fault of the trip, and not a go."
        )
    return "warmhold itself failed; this is not a fault of what was sent, and nothing was judged."
