"""Have stretches looked over by any executor: processes of this computer, or a cluster.

A task is a function of this module with plain arguments. The net is not sent: each worker loads it once,
and makes sure that it is the one the scan was begun with.
"""

from __future__ import annotations

import base64
import concurrent.futures
import dataclasses
import hashlib
import json
import multiprocessing
import os
import signal
import threading
from dataclasses import dataclass, field
from typing import TYPE_CHECKING, Any, TypeVar

import cv2

from pestvision import __version__
from pestvision.errors import WeightsError
from pestvision.findings.memory import give_back_large_arrays
from pestvision.findings.stretch import Alone, Looker, StretchLooks
from pestvision.organisms.personal import read_head, write_head

if TYPE_CHECKING:
    from collections.abc import Callable, Hashable, Iterator, Sequence
    from concurrent.futures import Executor, Future
    from multiprocessing.process import BaseProcess

    from pestvision.organisms.classify import Classifier
    from pestvision.photos.series import Frame, Skipped
    from pestvision.settings import Settings

K = TypeVar("K", bound="Hashable")
R = TypeVar("R")

LAST_WAIT_S = 60.0
"""How long a scan that is stopped waits for the stretches in hand, so that they are kept: one takes a few
seconds (8 pairs of 12 megapixels). A worker that has gone away must not hold the program for ever."""

SAME_EVERYWHERE = "Install the same version of pestvision wherever the scan runs."


@dataclass(frozen=True, slots=True)
class Basis:
    """What the looks rest on besides the photos: two scans of one basis say the same of a stretch.

    Parameters
    ----------
    version
        Of pestvision.
    card_sha256
        Checksum of the whole model card, which holds those of the weights and of what the net knows.
    settings
        All of them.
    head
        The personal head, as safetensors in base64; empty for the shipped one.
    with_sizes
        Whether the outlines of bodies are looked for.
    """

    version: str
    card_sha256: str
    settings: Settings
    head: str = ""
    with_sizes: bool = False

    @classmethod
    def of(cls, classifier: Classifier, settings: Settings, *, with_sizes: bool = False) -> Basis:
        """Give the basis of a scan with this net and these settings, with lengths or without."""
        card = json.dumps(classifier.card.full, sort_keys=True).encode()
        digest = hashlib.sha256(card).hexdigest()
        return cls(__version__, digest, settings, _head_text(classifier), with_sizes)


@dataclass(frozen=True, slots=True)
class NoNet:
    """A worker's answer when it has no net, or another: an error that travels as a value."""

    message: str
    advice: str

    def error(self) -> WeightsError:
        """Give the error it stands for."""
        return WeightsError(self.message, advice=self.advice)


def look_over(basis: Basis, frames: tuple[Frame, ...]) -> StretchLooks | NoNet:
    """Look over a stretch in a worker: a task."""
    return _with_looker(basis, lambda looker: looker.now(frames))


def check_alone(basis: Basis, frame: Frame) -> Alone | Skipped | NoNet:
    """Check a single photo in a worker: a task."""
    return _with_looker(basis, lambda looker: looker.alone(frame))


def start_worker() -> None:
    """Prepare a process that works for another.

    A stop typed at the keyboard is the other's business, and without the other there is nothing to do:
    a worker whose master was killed would wait for its next task for ever.
    """
    signal.signal(signal.SIGINT, signal.SIG_IGN)
    master = multiprocessing.parent_process()
    if master is not None:
        threading.Thread(target=_leave_with, args=(master,), daemon=True).start()


def _leave_with(master: BaseProcess) -> None:
    master.join()
    os._exit(1)


def _with_looker(basis: Basis, ask: Callable[[Looker], R]) -> R | NoNet:
    try:
        classifier = _wearing(_classifier_here(), basis.head)
        here = Basis.of(classifier, basis.settings, with_sizes=basis.with_sizes)
        if here != basis:
            where = f"The scan was begun with pestvision {basis.version}"
            message = f"{where}, and a worker has {here.version} or other weights."
            return NoNet(message, SAME_EVERYWHERE)
        return ask(Looker(classifier, basis.settings, with_sizes=basis.with_sizes))
    except WeightsError as error:
        return NoNet(str(error), error.advice)


_loading = threading.Lock()
_loaded: list[Classifier] = []
_worn: dict[str, Any] = {}


def _head_text(classifier: Classifier) -> str:
    head = classifier.head
    return "" if head is None else base64.b64encode(write_head(head)).decode("ascii")


def _classifier_here() -> Classifier:
    """Load the net, once in this process."""
    from pestvision.organisms.classify import Classifier

    with _loading:
        if not _loaded:
            _loaded.append(Classifier.load())
            if multiprocessing.parent_process() is not None:
                _keep_to_one_core()
        return _loaded[0]


def _wearing(classifier: Classifier, head: str) -> Classifier:
    """Give the classifier with the personal head of a scan, which a process keeps for the next task."""
    if _head_text(classifier) == head:
        return classifier
    with _loading:
        if _worn.get("head") != head:
            wanted = read_head(base64.b64decode(head), model=classifier.model, version=0)
            _worn.update(head=head, classifier=classifier.with_head(wanted))
        worn: Classifier = _worn["classifier"]
        return worn


def _keep_to_one_core() -> None:
    """Leave the other cores to the other workers, and large arrays to the system."""
    cv2.setNumThreads(1)
    give_back_large_arrays()


@dataclass(slots=True)
class Crew:
    """Hands stretches to an executor, a few at a time.

    Parameters
    ----------
    executor
        Any of `concurrent.futures`. Its workers must reach the photos under the same paths.
    basis
        What the scan rests on.
    in_flight
        How many stretches are handed over at a time: what waits and what is done stays small.
    """

    executor: Executor
    basis: Basis
    in_flight: int
    _waiting: dict[Future[StretchLooks | NoNet], Any] = field(default_factory=dict, init=False)

    def take(self, key: K, frames: Sequence[Frame]) -> Iterator[tuple[K, StretchLooks]]:
        """Hand a stretch over, and give what others have finished once there is no room for more."""
        self._waiting[self.executor.submit(look_over, self.basis, _absolute(frames))] = key
        while len(self._waiting) >= self.in_flight:
            yield from self._next()

    def rest(self) -> Iterator[tuple[Any, StretchLooks]]:
        """Give what is still to come, as it is finished."""
        while self._waiting:
            yield from self._next()

    def now(self, frames: Sequence[Frame]) -> StretchLooks:
        """Have a stretch looked over, and wait for it."""
        answer = self.executor.submit(look_over, self.basis, _absolute(frames)).result()
        if isinstance(answer, NoNet):
            raise answer.error()
        return answer

    def alone(self, frame: Frame) -> Alone | Skipped:
        """Have a single photo checked, and wait for it."""
        (sent,) = _absolute([frame])
        answer = self.executor.submit(check_alone, self.basis, sent).result()
        if isinstance(answer, NoNet):
            raise answer.error()
        return answer

    def stop(self) -> list[tuple[Any, StretchLooks]]:
        """Hand nothing more over, wait a little for what is in hand, and give what came of it."""
        running = [future for future in self._waiting if not future.cancel()]
        done, _late = concurrent.futures.wait(running, timeout=LAST_WAIT_S)
        found = []
        for future in done:
            looks = None if future.exception() else future.result()
            if isinstance(looks, StretchLooks):
                found.append((self._waiting[future], looks))
        self._waiting.clear()
        return found

    def _next(self) -> Iterator[tuple[Any, StretchLooks]]:
        """Wait for the next stretch to be finished; give all that are."""
        done, _ = concurrent.futures.wait(
            self._waiting, return_when=concurrent.futures.FIRST_COMPLETED
        )
        for future in done:
            looks = future.result()
            if isinstance(looks, NoNet):
                raise looks.error()
            yield self._waiting.pop(future), looks


def _absolute(frames: Sequence[Frame]) -> tuple[Frame, ...]:
    """Give frames whose paths do not hang on the folder that a process stands in."""
    return tuple(dataclasses.replace(frame, path=frame.path.absolute()) for frame in frames)
