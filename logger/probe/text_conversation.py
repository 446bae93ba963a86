"""Read probes that send lines of text, polled or printing by themselves.

Law: only whole lines count, and only those that belong to the present tick.

* Polled: at most one query is ever unanswered. While a reply is owed nothing is asked; what comes is old and is thrown
  away. After a silence of `_GIVE_UP` time limits it is given up: a probe that needs longer for a reply is not served.
  What comes unasked is thrown away too, until the probe is quiet.
* Printing: the newest whole line counts while it is no older than `max_age_s`. Of what waited in the port's buffer
  nobody knows when it came, so it counts as old as the last read of the port; when there is so much of it that the
  buffer may have overflowed it is thrown away whole. The first line after opening may have lost its beginning and is
  never read.

The only clock read here is the wire's: these limits stay real when the watch is accelerated.
"""

from abc import abstractmethod
from typing import Final

from logger.config import ProbeConfig, TextConfig
from logger.model import Reason
from logger.probe.conversation import Conversation, LineExchange, Missing, Values
from logger.probe.identity import identity_fault
from logger.probe.line_buffer import LineBuffer
from logger.probe.own_ph import equivalent_mv
from logger.probe.textline import Description, TextFault, as_text, printable
from logger.probe.wire import Wire
from logger.structs import Struct

_GIVE_UP: Final = 5
_QUIET_S: Final = 0.1
"""A probe that sends nothing for so long has finished."""
_FULL_BYTES: Final = 4000
"""A terminal's buffer holds 4096 bytes (Linux, N_TTY_BUF_SIZE); what comes when it is full is lost in between."""


def text_conversation(probe: ProbeConfig, *, simulated: bool) -> "TextConversation":
    """Return the conversation that a probe's description asks for."""
    kind = PolledTextConversation if _described(probe).query else StreamingTextConversation
    return kind(probe, simulated=simulated)


def line_exchange(probe: ProbeConfig) -> LineExchange:
    """Return the configured query and ends of lines."""
    text = _described(probe)
    query, query_end, terminator = (each.encode("latin-1") for each in (text.query, text.query_end, text.terminator))
    return LineExchange(query=query, query_end=query_end, terminator=terminator)


def _described(probe: ProbeConfig) -> TextConfig:
    if probe.text is None:
        raise AssertionError(f"probe {probe.id} has no description: the settings should have refused it")
    return probe.text


class TextConversation(Conversation):
    """Shared by both: lines and their values."""

    def __init__(self, probe: ProbeConfig, *, simulated: bool) -> None:
        """Begin with an empty buffer."""
        super().__init__(probe, simulated=simulated)
        self.text = _described(probe)
        self._description = Description(self.text)
        self._wire: Wire
        self._lines = LineBuffer(self.text.terminator.encode("latin-1"))

    def begin(self, wire: Wire) -> None:
        """Use this newly opened wire."""
        self._wire = wire
        self._lines.clear()

    @abstractmethod
    def tick(self) -> Values:
        """Return the values of this tick's line."""

    def _without_prompt(self, line: bytes) -> bytes:
        """Return a line without prompts before it."""
        prompt = self.text.prompt.encode("latin-1")
        line = line.strip(b" ")
        while prompt and line.startswith(prompt):
            line = line.removeprefix(prompt).lstrip(b" ")
        return line

    def _values(self, line: bytes) -> Values:
        read = self._description.decode(line)
        if isinstance(read, TextFault):
            raise Missing(read.reason, read.text)
        text = as_text(line)
        if fault := identity_fault(text, self.probe.identity, simulated=self.simulated):
            raise Missing(Reason.WRONG_INSTRUMENT, f"{fault}; check the port and the cable")
        if (read.ph is not None) != self.probe.own_ph:
            raise Missing(
                Reason.GARBLED, f"the line {printable(text)} gives a pH, no potential: has the display been changed?"
            )
        potential_mv = read.potential_mv
        if read.ph is not None:
            assumed_c = self.probe.assumed_temperature_c
            potential_mv = equivalent_mv(read.ph, temperature_c=read.temperature_c, assumed_c=assumed_c)
        return Values(potential_mv=potential_mv, temperature_c=read.temperature_c, detail=read.detail)

    def _unfinished(self) -> str:
        """Describe an unfinished line and what may be wrong."""
        rest = self._lines.partial
        other = next((end for end in (b"\r", b"\n") if end in rest), None)
        hint = f"; it holds {other!r:.5}: is that the terminator?".replace("b'", "'") if other else ""
        return f"only part of a line came in time, {printable(as_text(rest))}{hint}"


class PolledTextConversation(TextConversation):
    """A probe that sends one line for each query."""

    def __init__(self, probe: ProbeConfig, *, simulated: bool) -> None:
        """Begin with an empty buffer."""
        super().__init__(probe, simulated=simulated)
        self._query = self.text.query.encode("latin-1")
        self._pending_since_s: float | None = None
        """The wire's clock when the query that has no reply yet was sent, or when bytes last came since."""

    def tick(self) -> Values:
        """Query once. A reply still pending from an earlier opening of the port is waited for."""
        self._wait_for_quiet()
        self._wire.send(self._query + self.text.query_end.encode("latin-1"))
        self._pending_since_s = self._wire.now_s()
        return self._values(self._reply())

    def _wait_for_quiet(self) -> None:
        """Discard what has come; return when no reply is pending and nothing comes."""
        if self._pending_since_s is None and not self._wire.is_waiting:
            self._lines.clear()
            return
        until = self._wire.now_s() + self.probe.timeout_s
        while self._pending_since_s is not None:
            self._wait_for_pending(self._pending_since_s, until=until)
        until = self._wire.now_s() + self.probe.timeout_s
        while self._wire.read(until=self._wire.now_s() + _QUIET_S):
            if self._wire.now_s() >= until:
                raise Missing(Reason.GARBLED, "the probe talks without being asked; if it always does, remove `query`")
        self._lines.clear()

    def _wait_for_pending(self, pending_since_s: float, *, until: float) -> None:
        data = self._wire.read(until=until)
        now_s = self._wire.now_s()
        if data:
            replies = [self._without_prompt(line).strip() for line in self._lines.feed(data)]
            is_answered = any(line and not (self.text.echo and line == self._query.strip()) for line in replies)
            self._pending_since_s = None if is_answered else now_s
        elif now_s - pending_since_s >= _GIVE_UP * self.probe.timeout_s:
            self._pending_since_s = None
        if self._pending_since_s is not None and now_s >= until:
            raise Missing(Reason.TIMEOUT, "the reply to an earlier query is still owed; is the probe on?")

    def _reply(self) -> bytes:
        """Return the line that answers; blank lines before it are passed over."""
        until = self._wire.now_s() + self.probe.timeout_s
        is_echoed = not self.text.echo
        while self._wire.now_s() < until:
            lines = [self._without_prompt(line) for line in self._lines.feed(self._wire.read(until=until))]
            for number, line in enumerate(lines, start=1):
                self._pending_since_s = self._wire.now_s()
                reply = line if is_echoed or not line.strip() else self._after_echo(line)
                is_echoed = is_echoed or reply is not line
                if reply.strip():
                    self._pending_since_s = None
                    self._check_nothing_follows(reply, rest=lines[number:])
                    return reply
        if self._lines.partial:
            raise Missing(Reason.GARBLED, self._unfinished())
        asked = printable(self.text.query)
        raise Missing(Reason.TIMEOUT, f"no reply to {asked} within {self.probe.timeout_s:g} s; is the probe on?")

    def _after_echo(self, line: bytes) -> bytes:
        if not line.startswith(self._query):
            self._pending_since_s = None
            text = printable(as_text(line))
            raise Missing(Reason.GARBLED, f"the probe did not repeat the query, it said {text}; if so, echo = false")
        return line.removeprefix(self._query).lstrip(b"\r\n ")

    def _check_nothing_follows(self, reply: bytes, *, rest: list[bytes]) -> None:
        """Refuse a reply that is followed by more than a prompt. Raises Missing."""
        if reply.strip() == self._query.strip():
            raise Missing(
                Reason.GARBLED, f"the probe repeats the query {printable(self.text.query)}: write echo = true"
            )
        more = self._without_prompt(self._lines.partial)
        if any(line.strip() for line in rest) or (more and not self.text.prompt.startswith(as_text(more))):
            raise Missing(Reason.GARBLED, "more than one line came for one query")


class _Streamed(Struct, frozen=True):
    """A whole line and the earliest time, by the wire's clock, at which it can have come."""

    line: bytes
    came_s: float


class StreamingTextConversation(TextConversation):
    """A probe that prints lines by itself."""

    def begin(self, wire: Wire) -> None:
        """Use a newly opened wire: what comes first may be the rest of a line."""
        super().begin(wire)
        self._is_first_cut = True
        self._last_read_s = self._wire.now_s()
        self._newest: _Streamed | None = None

    def tick(self) -> Values:
        """Return the values of the newest line, after waiting for a new one as long as for a reply."""
        began_s = self._wire.now_s()
        self._read_waiting()
        self._listen(until=began_s + self.probe.timeout_s)
        newest, now_s = self._newest, self._wire.now_s()
        if newest is not None and now_s - newest.came_s <= self.text.max_age_s:
            return self._values(newest.line)
        self._newest = None
        if self._lines.partial and newest is None:
            raise Missing(Reason.GARBLED, self._unfinished())
        problem = f"no line for {now_s - newest.came_s:.1f} s" if newest else f"no line in {self.probe.timeout_s:g} s"
        raise Missing(Reason.TIMEOUT, f"{problem}; has the probe stopped printing, or does it wait for a query?")

    def _read_waiting(self) -> None:
        taken = 0
        while self._wire.is_waiting and taken < _FULL_BYTES:
            data = self._wire.read_waiting()
            taken += len(data)
            self._keep_newest(data, came_s=self._last_read_s)
        if taken >= _FULL_BYTES:
            self._discard_all()
            self._newest, self._is_first_cut = None, True
        self._last_read_s = self._wire.now_s()

    def _discard_all(self) -> None:
        """Discard all that waits; what the driver held back behind a full buffer comes only when there is room."""
        until = self._wire.now_s() + _QUIET_S
        while self._wire.now_s() < until:
            self._wire.read(until=until)
        self._lines.clear()

    def _listen(self, *, until: float) -> None:
        """Wait for one whole line."""
        while (now_s := self._wire.now_s()) < until:
            has_line = self._keep_newest(self._wire.read(until=until), came_s=now_s)
            self._last_read_s = self._wire.now_s()
            if has_line:
                return

    def _keep_newest(self, data: bytes, *, came_s: float) -> bool:
        """Keep the newest line that `data` completes; tell whether there is one."""
        lines = self._lines.feed(data)
        if lines and self._is_first_cut:
            self._is_first_cut = False
            lines.pop(0)
        whole = [line for line in map(self._without_prompt, lines) if line.strip()]
        if whole:
            self._newest = _Streamed(whole[-1], came_s)
        return bool(whole)
