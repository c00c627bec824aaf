"""Work that may take long, beside the daemon's loop, and that nobody waits for at the end."""

from __future__ import annotations

import asyncio
import logging
import threading
from collections.abc import Callable, Coroutine
from contextlib import suppress
from typing import Any, TypeVar

logger = logging.getLogger(__name__)

AGAIN_S = 60.0
T = TypeVar("T")


async def in_thread(work: Callable[..., T], *arguments: Any) -> T:
    """What `work` gives or raises, done in a thread of its own.

    The threads of asyncio's executor are waited for when the process ends: for a minute where a server or a disk does
    not answer, after the sound has faded out.
    """
    loop = asyncio.get_running_loop()
    answer: asyncio.Future[T] = loop.create_future()

    def settle(result: T | None, error: BaseException | None) -> None:
        if answer.done():  # whoever waited was cancelled
            return
        if error is not None:
            answer.set_exception(error)
        else:
            answer.set_result(result)  # type: ignore[arg-type]  # it is what `work` gave

    def run() -> None:
        result, raised = None, None
        try:
            result = work(*arguments)
        except BaseException as error:  # noqa: BLE001 (raised again where it is waited for)
            raised = error
        with suppress(RuntimeError):  # the loop has ended meanwhile
            loop.call_soon_threadsafe(settle, result, raised)

    threading.Thread(target=run, name=getattr(work, "__name__", None), daemon=True).start()
    return await answer


async def kept_up(
    work: Callable[[], Coroutine[Any, Any, None]], happened: Callable[[str, str], None], again_s: float = AGAIN_S
) -> None:
    """Does the work, and after a fault of our own begins it again; the house plays on meanwhile.

    happened: writes into the event log: kind and text.
    """
    while True:
        try:
            return await work()
        except Exception as error:
            logger.exception("Work beside the loop failed")
            happened("fault", f"Work beside the house failed, and begins again in {again_s:g} s: {error}.")
            await asyncio.sleep(again_s)
