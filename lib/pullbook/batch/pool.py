"""Hand tasks to other processes and lose none when one of them dies.

Local processes get one task at a time through a pipe of their own, so that it is known which task a process died of; an
executor of the standard library gives up all of its tasks when one process is killed. A scheduler that exists already
does the same for workers on other machines.

Task functions must not raise: they return in any case.
"""

from __future__ import annotations

import contextlib
import logging
import os
import signal
import sys
from collections import Counter, deque
from collections.abc import Callable, Generator, Iterable, Iterator, Sequence
from concurrent.futures import CancelledError
from dataclasses import dataclass
from multiprocessing import get_context
from multiprocessing.connection import Connection, wait
from multiprocessing.process import BaseProcess
from typing import TYPE_CHECKING, Any, TypeAlias, TypeVar

from pullbook.errors import PullbookError
from pullbook.settings.safe_path import safe_children

if TYPE_CHECKING:
    from distributed import Client, Future

T = TypeVar("T")
R = TypeVar("R")

# Place of a task and its result, in the order of finishing.
Outcomes: TypeAlias = Generator[tuple[int, R | None], None, None]

TRIES = 3
TO_STOP_S = 5.0
TO_CONNECT_S = 15.0
TO_HEAR_S = 30.0


def usable_cpus() -> int:
    """Return how many processors this process may use."""
    if hasattr(os, "sched_getaffinity"):
        return len(os.sched_getaffinity(0))
    return os.cpu_count() or 1


# --- processes of this machine -----------------------------------------------------------------------------------


@dataclass(frozen=True)
class _Worker:
    process: BaseProcess
    connection: Connection

    def stop(self) -> None:
        """End the process: first ask, so that it tidies up, then by force."""
        self.connection.close()
        self.process.terminate()
        self.process.join(TO_STOP_S)
        if self.process.is_alive():
            self.process.kill()
            self.process.join()


def on_this_machine(function: Callable[[T], R], tasks: Sequence[T], *, workers: int) -> Outcomes[R]:
    """Run a function on every task in processes of their own.

    Parameters
    ----------
    function : callable
        Of a module, so that another process finds it.
    tasks : sequence
    workers : int
        How many processes at once.

    Yields
    ------
    int, result or None
        Place of the task and its result, in the order of finishing; None where `TRIES` processes died of it.
    """
    waiting = deque(range(len(tasks)))
    deaths: Counter[int] = Counter()
    idle: list[_Worker] = []
    busy: dict[Connection, tuple[_Worker, int]] = {}
    try:
        while waiting or busy:
            while waiting and len(busy) < workers:
                worker, k = idle.pop() if idle else _started(function), waiting.popleft()
                busy[worker.connection] = worker, k
                with contextlib.suppress(OSError):  # it is dead, and the next lines will find out
                    worker.connection.send(tasks[k])
            for ready in wait(list(busy)):
                assert isinstance(ready, Connection)
                try:
                    result = ready.recv()
                except (EOFError, OSError):
                    worker, k = busy.pop(ready)
                    worker.stop()
                    deaths[k] += 1
                    if deaths[k] < TRIES:
                        waiting.append(k)  # after the others: alone it may get the memory that it lacked
                    else:
                        yield k, None
                else:
                    worker, k = busy.pop(ready)
                    idle.append(worker)
                    yield k, result
    finally:
        for worker in (*idle, *(worker for worker, _ in busy.values())):
            worker.stop()


def _started(function: Callable[[T], R]) -> _Worker:
    context = get_context("spawn")  # the same on every system, and safe beside threads
    ours, theirs = context.Pipe()
    process = context.Process(target=_serve, args=(theirs, function), daemon=True)
    with safe_children():
        process.start()
    theirs.close()  # so that the pipe ends with the process
    return _Worker(process, ours)


def _serve(connection: Connection, function: Callable[[T], R]) -> None:
    signal.signal(signal.SIGINT, signal.SIG_IGN)  # Ctrl-C reaches every process of a terminal; the parent decides
    signal.signal(signal.SIGTERM, lambda *_: sys.exit())
    with contextlib.suppress(EOFError, OSError):  # the parent is gone
        while True:
            connection.send(function(connection.recv()))


# --- a scheduler that exists already -----------------------------------------------------------------------------


def on_scheduler(function: Callable[[T], R], tasks: Sequence[T], *, address: str) -> Outcomes[R]:
    """Run a function on every task on the workers of a Dask distributed scheduler.

    Parameters
    ----------
    function : callable
        Of a module that the workers have too. The scheduler hands it out again when a worker dies, so it may run twice.
    tasks : sequence
    address : str
        Such as ``tcp://192.0.2.7:8786``.

    Yields
    ------
    int, result or None
        As `on_this_machine`; None where the scheduler gave up because workers kept dying of the task.

    Raises
    ------
    PullbookError
        When the package is not installed, the scheduler does not answer, or no worker is left.
    """
    with _connected(address) as client:
        try:
            suspects = []
            for k, result in _handed_out(client, function, tasks, range(len(tasks)), address):
                if result is None:
                    suspects.append(k)  # or it only waited there while another task killed the worker
                else:
                    yield k, result
            for k in suspects:  # alone, so that a death has one cause
                yield from _handed_out(client, function, tasks, [k], address)
        except (OSError, CancelledError) as error:
            raise PullbookError(
                f"--scheduler {address}: lost contact ({type(error).__name__}). Finished work is kept. Run the same "
                "command to go on from there."
            ) from None


def _handed_out(
    client: Client, function: Callable[[T], R], tasks: Sequence[T], which: Iterable[int], address: str
) -> Outcomes[R]:
    from distributed import wait as wait_for

    waiting = deque(which)
    pending: dict[Future, int] = {}
    while waiting or pending:
        room = _room(client, address)
        while waiting and len(pending) < room:
            k = waiting.popleft()
            pending[client.submit(function, tasks[k], pure=False)] = k
        try:
            done = wait_for(list(pending), timeout=TO_HEAR_S, return_when="FIRST_COMPLETED").done
        except TimeoutError:
            continue  # a long task; _room tells whether anybody is left to do it
        for future in done:
            k = pending.pop(future)
            try:
                result = _result(future, address)
            except TimeoutError:
                waiting.append(k)  # its result went with a worker that died; once more
            else:
                yield k, result


@contextlib.contextmanager
def _connected(address: str) -> Iterator[Client]:
    try:
        from distributed import Client
    except ImportError:
        raise PullbookError(
            "--scheduler needs the package distributed. Install it with: python -m pip install distributed"
        ) from None
    for machinery in ("distributed", "distributed.client"):  # we say what matters in our own words
        logging.getLogger(machinery).setLevel(logging.CRITICAL)
    try:
        client = Client(address, timeout=TO_CONNECT_S)
    except (OSError, ValueError, TypeError) as error:
        raise PullbookError(
            f"--scheduler {address}: no Dask scheduler answers there ({_first_line(error)}). Start one with: "
            "dask scheduler. Give the address it prints, such as tcp://192.0.2.7:8786."
        ) from None
    with client:
        yield client


def _room(client: Client, address: str) -> int:
    """Return how many tasks may be handed out at once: one under way and one at hand for every thread."""
    try:
        if not client.nthreads():
            client.wait_for_workers(1, timeout=TO_HEAR_S)
        return 2 * sum(map(int, client.nthreads().values()))
    except TimeoutError:
        raise PullbookError(
            f"--scheduler {address}: no worker joined within {TO_HEAR_S:.0f} s. Start some with: dask worker {address}"
        ) from None


def _result(future: Future, address: str) -> Any:
    from distributed import KilledWorker

    try:
        return future.result(timeout=TO_HEAR_S)
    except KilledWorker:
        return None
    except (OSError, CancelledError):  # the callers distinguish a slow result from a scheduler that has gone
        raise
    except Exception as error:
        raise PullbookError(
            f"--scheduler {address}: it can't run the task ({type(error).__name__}: {_first_line(error)}). Install "
            "the same pullbook where the scheduler and its workers run."
        ) from None


def _first_line(error: Exception) -> str:
    return next(iter(str(error).splitlines()), "") or type(error).__name__
