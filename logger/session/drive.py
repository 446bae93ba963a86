"""The loop of a sitting: readings and answers in, words and pictures out.

Law: it decides nothing. Whatever ends it, the terminal is as it was; the source is told that the probe is back only if
the person said so.
"""

from collections.abc import Callable, Iterable

from logger.clock import Clock
from logger.session import sitting, view, words
from logger.session.keys import END, Keys
from logger.session.screen import Screen
from logger.session.sitting import Conclusion, Happening, Kept, Passed, Pressed, Stage, State, Task
from logger.session.sources import Source

WAIT_S = 0.1
"""How long an answer is waited for before the readings are looked at again: real seconds."""

Keep = Callable[[Conclusion, bool], tuple[str, ...]]
"""Stores a conclusion (the flag: the person wants it in force) and returns what to say of it."""


def drive(task: Task, source: Source, keys: Keys, *, screen: Screen, clock: Clock, keep: Keep) -> State:
    """Run a sitting to its end, or to Ctrl-C; return its last state. The source must be entered already."""
    table = Drive(task, source, keys, screen=screen, clock=clock, keep=keep)
    with screen, keys:
        try:
            table.run()
        except KeyboardInterrupt:
            table.cut_off()
    if table.state.is_back:
        source.back()
    return table.state


class Drive:
    """One sitting as it runs."""

    def __init__(self, task: Task, source: Source, keys: Keys, *, screen: Screen, clock: Clock, keep: Keep) -> None:
        """Prepare."""
        self._task, self._source, self._keys, self._screen = task, source, keys, screen
        self._clock, self._keep = clock, keep
        self.state = State(taken=task.before)

    def run(self) -> None:
        """Go on until the end."""
        self._screen.say(sitting.opening(self._task, self.state))
        while self.state.stage is not Stage.END:
            for event in self._events():
                self._step(event)
                self._keep_if_due()
            picture = view.picture(self._task, self.state, silence=self._source.silence, now_us=self._now_us())
            self._screen.show(picture, view.brief(self.state))

    def cut_off(self) -> None:
        """End at once; a conclusion that waits for its yes is kept."""
        if self.state.stage is Stage.DECIDE:
            self._step(Pressed(END))
            self._keep_if_due()
            return
        said = words.CUT_OFF if self.state.stage is Stage.KEEP else words.STOPPED
        self._screen.say(["", words.KEPT_ANYWAY if self.state.is_kept else said, words.put_back(self._task.vat)])

    def _events(self) -> Iterable[Happening]:
        answers = self._keys.answers(WAIT_S)
        if answers:
            self._source.stay()
        return [*self._source.readings(), *map(Pressed, answers), Passed()]

    def _step(self, event: Happening) -> None:
        before = self.state.taken
        self.state, said = sitting.step(self._task, self.state, event, now_us=self._now_us())
        if self.state.taken != before:
            self._task.remember(self.state.taken)
        self._screen.say(said)

    def _keep_if_due(self) -> None:
        if self.state.stage is Stage.KEEP and self.state.conclusion is not None:
            self._step(Kept(self._keep(self.state.conclusion, self.state.is_wanted)))

    def _now_us(self) -> int:
        return self._clock.read().elapsed_us
