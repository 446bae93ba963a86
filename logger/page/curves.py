"""Keep the curves that were drawn last: half a million records of a batch are not read anew for each look.

Law: one curve is made at a time, whoever asks, so memory does not grow with the visitors. A curve that is a little old
is given at once while a newer one is made; one that is too old for its span is waited for. Each tells when it was made.
"""

import threading
import time
from collections.abc import Callable
from concurrent.futures import Future, ThreadPoolExecutor
from dataclasses import dataclass, field

FRESH_S = 8.0
"""Real seconds for which a curve is as good as new: shorter than the page's own refreshing."""
COST = 30.0
"""A curve is made anew at most so many times its own making later: long ones may cost 1/30 of a core."""
OLDEST_PART = 1 / 200
"""Of its span: older than that, and than a minute, a curve is waited for. It is what two points are apart."""
LEAST_OLD_S = 60.0
PATIENCE_S = 3.0
"""Who asks waits so long; then is told that it is being drawn. Common practice, no source."""
KEPT = 60
"""Curves. Common practice, no source."""

Name = tuple[str, str]
"""Vat and span."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Drawn:
    """A curve as it is put into a page, and in words."""

    span_s: float
    figure: str
    """Markup."""
    facts: tuple[tuple[str, tuple[str, ...]], ...]


@dataclass(frozen=True, slots=True)
class _Made:
    curve: Drawn
    at_s: float
    """Steady time when it was asked for."""
    took_s: float

    def is_fresh(self, now_s: float) -> bool:
        return now_s - self.at_s < max(FRESH_S, COST * self.took_s)

    def is_usable(self, now_s: float) -> bool:
        return now_s - self.at_s < max(LEAST_OLD_S, OLDEST_PART * self.curve.span_s)


@dataclass(slots=True)
class Curves:
    """The newest curve of each vat and span."""

    _made: dict[Name, _Made] = field(default_factory=dict)
    _making: dict[Name, Future[Drawn]] = field(default_factory=dict)
    _lock: threading.Lock = field(default_factory=threading.Lock)
    _maker: ThreadPoolExecutor = field(default_factory=lambda: ThreadPoolExecutor(1, thread_name_prefix="curves"))

    def get(self, name: Name, make: Callable[[], Drawn]) -> Drawn | None:
        """Return a curve that is new enough; None: it is still being made. Raises what `make` raises."""
        now_s = time.monotonic()
        with self._lock:
            made = self._made.get(name)
            if made is not None and made.is_fresh(now_s):
                return made.curve
            if name not in self._making:
                self._making[name] = self._maker.submit(self._make, name, make)
            making = self._making[name]
        if made is not None and made.is_usable(now_s):
            return made.curve
        try:
            return making.result(PATIENCE_S)
        except TimeoutError:
            return None

    def close(self) -> None:
        """End the making."""
        self._maker.shutdown(cancel_futures=True)

    def _make(self, name: Name, make: Callable[[], Drawn]) -> Drawn:
        begin_s = time.monotonic()
        try:
            curve = make()
            with self._lock:
                self._made.pop(name, None)
                self._made[name] = _Made(curve, begin_s, time.monotonic() - begin_s)
                while len(self._made) > KEPT:
                    del self._made[next(iter(self._made))]
            return curve
        finally:
            with self._lock:
                del self._making[name]
