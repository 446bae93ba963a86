"""Run a session: readings and answers in, lines and pictures out.

Law: it decides nothing. Whatever ends it, the terminal is as it was; the source is told that the probe is back only if
the person said so.
"""

from collections.abc import Callable, Iterable, Sequence

from logger.daemon.clock import Clock
from logger.guided import state_machine, view, words
from logger.guided.keys import END, Keys
from logger.guided.reading_source import ReadingSource
from logger.guided.screen import Screen
from logger.guided.state_machine import (
    Conclusion,
    GuidedEvent,
    GuidedState,
    KeyPressed,
    ResultKept,
    Stage,
    Task,
    TimePassed,
)

WAIT_S = 0.1
"""How long an answer is waited for before the readings are looked at again: real seconds."""

Keep = Callable[[Conclusion, bool], tuple[str, ...]]
"""Stores a conclusion (the flag: the person wants it in force) and returns what to say of it."""


def run_guided(
    task: Task,
    source: ReadingSource,
    keys: Keys,
    *,
    screen: Screen,
    clock: Clock,
    keep: Keep,
    interrupts: Sequence[int] = (),
) -> GuidedState:
    """Run a session to its end, to Ctrl-C, or to the first of `interrupts` (signals noted meanwhile).

    Return its last state. The source must be entered already.
    """
    loop = GuidedLoop(task, source, keys, screen=screen, clock=clock, keep=keep)
    with screen, keys:
        try:
            loop.run(interrupts)
        except KeyboardInterrupt:
            loop.cut_off()
    if loop.state.is_back:
        source.report_back()
    return loop.state


class GuidedLoop:
    """One session as it runs."""

    def __init__(
        self, task: Task, source: ReadingSource, keys: Keys, *, screen: Screen, clock: Clock, keep: Keep
    ) -> None:
        """Prepare."""
        self._task, self._source, self._keys, self._screen = task, source, keys, screen
        self._clock, self._keep = clock, keep
        self.state = GuidedState(taken=task.before)

    def run(self, interrupts: Sequence[int] = ()) -> None:
        """Go on until the end. Raises KeyboardInterrupt at the first of `interrupts`."""
        self._screen.say(state_machine.opening(self._task, self.state))
        while self.state.stage is not Stage.END:
            if interrupts:
                raise KeyboardInterrupt
            for event in self._events():
                self._step(event)
                self._keep_if_due()
            picture = view.picture(self._task, self.state, silence=self._source.silence, now_us=self._now_us())
            self._screen.show(picture, view.brief(self.state))

    def cut_off(self) -> None:
        """End at once; a conclusion that waits for its yes is kept."""
        if self.state.stage is Stage.DECIDE:
            self._step(KeyPressed(END))
            self._keep_if_due()
            return
        self._screen.say(["", *self._last_words(), words.put_back(self._task.vat)])

    def _last_words(self) -> list[str]:
        if self.state.is_kept:
            return [words.KEPT_ANYWAY]
        if self.state.stage is Stage.KEEP:
            return [words.CUT_OFF]
        return state_machine.stopping(self._task, self.state)

    def _events(self) -> Iterable[GuidedEvent]:
        answers = self._keys.answers(WAIT_S)
        if answers:
            self._source.stay()
        return [*self._source.readings(), *map(KeyPressed, answers), TimePassed()]

    def _step(self, event: GuidedEvent) -> None:
        before = self.state.taken
        self.state, lines = state_machine.step(self._task, self.state, event, now_us=self._now_us())
        if self.state.taken != before:
            self._task.remember(self.state.taken)
        self._screen.say(lines)

    def _keep_if_due(self) -> None:
        if self.state.stage is Stage.KEEP and self.state.conclusion is not None:
            self._step(ResultKept(self._keep(self.state.conclusion, self.state.is_wanted)))

    def _now_us(self) -> int:
        return self._clock.read().elapsed_us
