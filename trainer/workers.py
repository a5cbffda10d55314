"""One pool for many takes: a list worked through on all cores, its answers in order, the same however many workers.

The workers are programs of their own (`python -m trainer.workers`), told over a pipe what to do, so that a script needs
no guard around its main part, nothing of this program is copied into them (an open database would be shared), and an
item that brings its worker down costs that item alone. They leave when their pipe ends, as it does when the program
that started them goes, killed or not. The threads here only wait for their worker's answer.
"""

from __future__ import annotations

import os
import pickle
import queue
import subprocess
import sys
import threading
from collections.abc import Callable, Iterator, Sequence
from typing import Any, BinaryIO, Generic, TypeVar

__all__ = ["spread"]

Item = TypeVar("Item")
Answer = TypeVar("Answer")


def spread(
    work: Callable[[Item], Answer],
    items: Sequence[Item],
    n_workers: int,
    died: Callable[[Item], Answer],
    progress: Callable[[int, int], None] | None = None,
) -> Iterator[Answer]:
    """`work(item)` of each item, in order, as they are ready; `died(item)` of one over which the worker ended.

    `work` is a function of a module, or a `partial` of one; it, the items and the answers can be pickled.
    `progress(n_done, n_items)` is called after each item. Closed half-way, it leaves no worker behind.
    """
    waiting: queue.SimpleQueue[int] = queue.SimpleQueue()
    for i in range(len(items)):
        waiting.put(i)
    answers: queue.SimpleQueue[tuple[int, Answer]] = queue.SimpleQueue()
    stop = threading.Event()
    workers = [_Worker(work, died) for _ in range(min(n_workers, len(items)))]

    def drive(worker: _Worker[Item, Answer]) -> None:
        while not stop.is_set():
            try:
                i = waiting.get_nowait()
            except queue.Empty:
                break
            answers.put((i, worker.ask(items[i])))
        worker.close()

    threads = [threading.Thread(target=drive, args=(worker,), daemon=True) for worker in workers]
    for thread in threads:
        thread.start()
    ready: dict[int, Answer] = {}
    try:
        for i in range(len(items)):
            while i not in ready:
                j, answer = answers.get()
                ready[j] = answer
                if progress is not None:
                    progress(i + len(ready), len(items))
            yield ready.pop(i)
    finally:
        stop.set()
        for worker in workers:
            worker.kill()
        for thread in threads:
            thread.join()


class _Worker(Generic[Item, Answer]):
    """A worker and its two pipes; started at the first item, and again after it died."""

    def __init__(self, work: Callable[[Item], Answer], died: Callable[[Item], Answer]) -> None:
        self._work, self._died = work, died
        self._process: subprocess.Popen[bytes] | None = None
        self._killed = False

    def ask(self, item: Item) -> Answer:
        """The answer to one item, or what stands for it where the worker dies over it."""
        try:
            process = self._process or self._start()
            assert process.stdin is not None and process.stdout is not None
            pickle.dump(item, process.stdin)
            process.stdin.flush()
            answer: Answer = pickle.load(process.stdout)  # written by our own program
            return answer
        except Exception:  # its pipe is gone, ended inside an answer, or what came is none: whoever waits is told
            self.close()
            return self._died(item)

    def _start(self) -> subprocess.Popen[bytes]:
        self._process = subprocess.Popen(
            [sys.executable, "-m", "trainer.workers"],
            stdin=subprocess.PIPE,
            stdout=subprocess.PIPE,
            stderr=subprocess.DEVNULL,
        )
        if self._killed:
            self._process.kill()
        assert self._process.stdin is not None
        pickle.dump(self._work, self._process.stdin)
        return self._process

    def kill(self) -> None:
        self._killed = True
        process = self._process
        if process is not None:
            process.kill()

    def close(self) -> None:
        """Let it end by closing its input; wait for it."""
        process, self._process = self._process, None
        if process is None:
            return
        for pipe in (process.stdin, process.stdout):
            if pipe is not None:
                try:
                    pipe.close()
                except OSError:
                    process.kill()
        process.wait()


def _serve(asked: BinaryIO, answers: BinaryIO) -> None:
    """A worker's whole life: first what to do, then an item in and its answer out, until the input ends."""
    try:
        work: Callable[[Any], Any] = pickle.load(asked)
        while True:
            pickle.dump(work(pickle.load(asked)), answers)
            answers.flush()
    except (EOFError, BrokenPipeError):  # who asked has gone, or has nothing more to ask
        os._exit(0)


if __name__ == "__main__":
    answers_pipe = sys.stdout.buffer
    sys.stdout = sys.stderr  # nothing that is printed gets between the answers
    _serve(sys.stdin.buffer, answers_pipe)
