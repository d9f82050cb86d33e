"""How is work shared among processes, none of which outlives the one that asked?

What every worker needs is sent through a queue and not with its start, so that a start is a few bytes and is never cut
in the middle. A worker watches its parent and ends with it, however the parent ends; Ctrl-C is for the parent alone,
which then ends the workers. Every signal is blocked while a worker is started, and with it in the worker until the
worker has said what it does on one: no worker ever prints a traceback of its own.
"""

from __future__ import annotations

import contextlib
import multiprocessing
import os
import signal
import threading
from collections.abc import Callable, Iterator
from concurrent.futures import Future, ProcessPoolExecutor
from concurrent.futures.process import BrokenProcessPool
from typing import Any, ParamSpec, TypeVar

from powerfault.errors import ToolError

Given = ParamSpec("Given")
Found = TypeVar("Found")
_SIGNALS = (signal.SIGINT, signal.SIGTERM)


class Workers:
    """Processes that have begun with the same; :meth:`submit` gives work to whichever is free."""

    def __init__(self, pool: ProcessPoolExecutor) -> None:
        self._pool = pool

    def submit(self, work: Callable[Given, Found], *args: Given.args, **kwargs: Given.kwargs) -> Future[Found]:
        with _signals_blocked():  # a process may be started here
            return self._pool.submit(work, *args, **kwargs)


@contextlib.contextmanager
def workers(jobs: int, begin: Callable[..., None], *arguments: Any) -> Iterator[Workers]:
    """Give ``jobs`` processes, each of which has called ``begin(*arguments)``.

    Raises :class:`ToolError` where one of them was killed. Left by an exception, work in hand is not waited for.
    """
    context = multiprocessing.get_context("spawn")
    start = context.SimpleQueue()
    pool = ProcessPoolExecutor(jobs, mp_context=context, initializer=_begin, initargs=(start,))

    def send() -> None:
        with contextlib.suppress(OSError):  # the queue is closed once all is over
            for _ in range(jobs):
                start.put((begin, arguments))

    threading.Thread(target=send, daemon=True).start()
    try:
        yield Workers(pool)
    except BrokenProcessPool as error:
        raise ToolError(
            "a worker process was killed (out of memory?); use --jobs 1 or a lower --order; with --keep DIR the "
            "pieces finished so far are used again"
        ) from error
    except BaseException:
        started = list((getattr(pool, "_processes", None) or {}).values())
        pool.shutdown(wait=False, cancel_futures=True)
        for process in started:
            process.terminate()
        for process in started:
            process.join()
        raise
    finally:
        pool.shutdown(cancel_futures=True)


@contextlib.contextmanager
def _signals_blocked() -> Iterator[None]:
    if not hasattr(signal, "pthread_sigmask"):
        yield
        return
    before = signal.pthread_sigmask(signal.SIG_BLOCK, _SIGNALS)
    try:
        yield
    finally:
        signal.pthread_sigmask(signal.SIG_SETMASK, before)


def _begin(start: Any) -> None:
    """Of a worker: hear signals as a worker does, watch the parent, and take what it begins with."""
    signal.signal(signal.SIGINT, signal.SIG_IGN)
    signal.signal(signal.SIGTERM, signal.SIG_DFL)
    if hasattr(signal, "pthread_sigmask"):
        signal.pthread_sigmask(signal.SIG_UNBLOCK, _SIGNALS)
    threading.Thread(target=_end_with_parent, daemon=True).start()
    begin, arguments = start.get()
    begin(*arguments)


def _end_with_parent() -> None:
    """A worker waits for work whoever is left to give it, so it must see for itself that its parent was killed."""
    parent = multiprocessing.parent_process()
    assert parent is not None
    parent.join()
    os._exit(1)
