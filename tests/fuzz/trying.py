"""Tries contents in a process of its own, which a hang, a lack of memory or a fault in a library may end."""

from __future__ import annotations

import hashlib
import multiprocessing
import random
import resource
import signal
import tempfile
import time
import traceback
import warnings
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from multiprocessing.connection import Connection
from pathlib import Path
from types import FrameType

from tests.fuzz.mutation import mutated
from tests.fuzz.target import Target, Trial

LONGEST_S = 10.0
"""A reader that takes longer hangs: the longest of the seeds takes a hundredth of it."""
_KILL_S = 20.0
"""A library that does not come back to Python within this is ended with its process."""
_MEMORY_BYTES = 3 << 30
_MOST_KEPT = 2_000
"""Contents that met new words, to draw from."""


class HangError(BaseException):
    """A trial took too long; of a kind that no reader takes for a fault of its file."""


@dataclass(frozen=True)
class Found:
    """A content that a reader may not answer so. where: kind and place, the same for the same fault."""

    content: bytes
    where: str
    words: str


@contextmanager
def within(longest_s: float) -> Iterator[None]:
    """Raises HangError where it takes longer."""

    def hang(_signal: int, _frame: FrameType | None) -> None:
        raise HangError

    before = signal.signal(signal.SIGALRM, hang)
    signal.setitimer(signal.ITIMER_REAL, longest_s)
    try:
        yield
    finally:
        signal.setitimer(signal.ITIMER_REAL, 0)
        signal.signal(signal.SIGALRM, before)


def tried(trial: Trial, content: bytes) -> str | Found:
    """What the readers say of it, or what they may not do."""
    try:
        with within(LONGEST_S):
            return trial(content)
    except (KeyboardInterrupt, SystemExit):
        raise
    except BaseException as error:  # noqa: BLE001 (a panic of a library in Rust is no Exception)
        return Found(content, _place(error), "".join(traceback.format_exception(error)))


def _place(error: BaseException) -> str:
    frames = traceback.extract_tb(error.__traceback__)
    own = [frame for frame in frames if "/residue/" in frame.filename and "/site-packages/" not in frame.filename]
    last = own[-1] if own else frames[-1]
    return f"{type(error).__name__} in {Path(last.filename).name}:{last.name}"


def search(target: Target, seed: int, *, until_s: float, most: int, found: Callable[[Found], None]) -> tuple[int, int]:
    """Tries contents until a moment of the monotonic clock, or so many; gives how many, and how many new words."""
    tries = said = 0
    number = 0
    while time.monotonic() < until_s and tries < most:
        here, there = multiprocessing.get_context("fork").Pipe()
        one = (target, f"{seed} {number}", until_s, most - tries, there)
        process = multiprocessing.get_context("fork").Process(target=_worker, args=one, daemon=True)
        process.start()
        there.close()
        last, number = b"", number + 1
        while True:
            if not here.poll(_KILL_S):
                found(Found(last, "it does not come back", "a library hangs"))
                break
            try:
                kind, value = here.recv()
            except EOFError:
                process.join()
                if process.exitcode:
                    found(Found(last, f"its process ended with {process.exitcode}", "a library ended the process"))
                break
            if kind == "trying":
                last, tries = value, tries + 1
            elif kind == "found":
                found(value)
            else:
                said = max(said, value)
        process.kill()
        process.join()
    return tries, said


def _worker(target: Target, seed: str, until_s: float, most: int, tell: Connection) -> None:
    warnings.simplefilter("ignore")
    resource.setrlimit(resource.RLIMIT_AS, (_MEMORY_BYTES, _MEMORY_BYTES))
    chance = random.Random(seed)
    with tempfile.TemporaryDirectory() as folder:
        seeding, working = Path(folder, "seeds"), Path(folder, "trial")
        seeding.mkdir()
        working.mkdir()
        kept, trial = list(target.seeds(seeding)), target.trial(working)
        words: set[str] = set()
        for number in range(most):
            if time.monotonic() > until_s:
                return
            content = kept[number] if number < len(kept) else mutated(chance, chance.choice(kept), kept, target.words)
            tell.send(("trying", content))
            outcome = tried(trial, content)
            if isinstance(outcome, Found):
                tell.send(("found", outcome))
            elif outcome not in words:
                words.add(outcome)
                tell.send(("said", len(words)))
                if len(kept) < _MOST_KEPT:
                    kept.append(content)


def smaller(trial: Trial, one: Found, tries: int = 300) -> Found:
    """The same fault with less content, as far as some tries get."""
    size = max(1, len(one.content) // 2)
    while size and tries:
        at = 0
        while at < len(one.content) and tries:
            tries -= 1
            outcome = tried(trial, one.content[:at] + one.content[at + size :])
            if isinstance(outcome, Found) and outcome.where == one.where:
                one = outcome
            else:
                at += size
        size //= 2
    return one


def file_name(one: Found) -> str:
    """The name of its file among the cases: the fault, and the beginning of a digest."""
    said = "".join(letter if letter.isalnum() else "-" for letter in one.where.lower())
    return f"{said[:60]}-{hashlib.sha256(one.content).hexdigest()[:8]}"
