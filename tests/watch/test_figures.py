"""Every figure of every command at and past its ends: applied or refused with a sentence, never an exception."""

from collections.abc import Iterator
from typing import Any, TypeVar

import msgspec
import pytest
from msgspec import structs

from logger.errors import RefusedError
from logger.model import Cause, CheckKind, Command, CommandKind, Mark, figures
from logger.model.figures import LONGEST_TEXT, SPOT_U_PH, Figure
from logger.mqtt.schemas import schema
from logger.structs import replace
from logger.watch import system
from tests.mqtt.factories import CONFIG
from tests.series import EPOCH_US, POINTS, calibrate, calibration, carry_over, check, of_ph, raw_alarm, restored, watch

EDGES = [0, -1, 1e-320, 1e305, 1e308, 2**63, float("inf"), float("-inf"), float("nan")]
WATCH = watch(raw_alarm())
T = TypeVar("T")
NOT_FIGURES = {"id", "seq", "at_us", "calibration"}
"""Numbers that the store gives, and when a command was put in."""


def ask(kind: CommandKind, **more: Any) -> Command:  # noqa: ANN401 - fields of Command
    return Command(id=7, at_us=EPOCH_US, kind=kind, vat="vat", seq=3, **more)


def numbers(thing: Any) -> list[str]:  # noqa: ANN401 - any of the structs
    """Return the names of the fields that hold a number."""
    said = (field.name for field in structs.fields(thing) if str(field.type) in _NUMBERS or field.type in (int, float))
    return [name for name in said if name not in NOT_FIGURES]


_NUMBERS = ("float | None", "int | None", "<class 'int'>", "<class 'float'>")


def edged(thing: T, name: str, edge: float) -> T:
    """Return the struct with that number of it at an edge."""
    return replace(thing, **{name: edge})  # type: ignore[type-var] # each is a dataclass


def commands() -> Iterator[Command]:
    """Yield a command for each kind, mark, check and calibration, with each of its numbers at each edge."""
    plain = [ask(kind, alarm="ph-high") for kind in CommandKind if kind is not CommandKind.MARK]
    plain += [ask(CommandKind.MARK, note=mark) for mark in Mark]
    for edge in EDGES:
        for command in plain:
            yield from (edged(command, name, edge) for name in numbers(command))
        for kind in CheckKind:
            made = check(0.01, kind=kind)
            for name in numbers(made):
                yield ask(CommandKind.CHECK, check=edged(made, name, edge))
        line = calibration()
        for name in numbers(line):
            yield ask(CommandKind.CALIBRATE, calibration=edged(line, name, edge))
        for name in numbers(POINTS[0]):
            bad = edged(POINTS[0], name, edge)
            yield ask(CommandKind.CALIBRATE, calibration=replace(line, points=(bad, POINTS[1])))
    for at_us in (-1, -(2**63), 2**63 - 1):
        yield ask(CommandKind.CHECK, check=replace(check(0.01), at_us=at_us))
        yield ask(CommandKind.CALIBRATE, calibration=replace(calibration(), at_us=at_us))


def test_whatever_a_figure_is_the_command_is_applied_or_refused_and_the_watch_goes_on() -> None:
    asked = [replace(command, id=10 + n, seq=2 + n // 4) for n, command in enumerate(commands())]
    rows = of_ph([4.5] * (len(asked) // 4 + 3))
    state, (outcome,) = carry_over(WATCH, rows, commands=[calibrate(), *asked])
    assert len(outcome.measurements) == len(rows)
    assert restored(state.carry) == state.carry
    answers = {answer.command: answer for answer in outcome.answers}
    assert all(answers[command.id].text for command in asked)
    refused = [command.id for command in asked if not answers[command.id].applied]
    assert [entry.cause for entry in outcome.entries].count(Cause.REFUSED) == len(refused)
    assert 50 < len(refused) < len(asked) - 50


@pytest.mark.parametrize("edge", EDGES)
def test_a_good_night_test_of_no_sensible_length_is_refused(edge: float) -> None:
    vat = system.vat_of(CONFIG)
    command = replace(ask(CommandKind.REHEARSE, duration_s=edge), vat="system")
    facts = system.SystemFacts(at_us=EPOCH_US, elapsed_us=0)
    carry, _, (answer,) = system.step(vat, system.fresh(), facts, [command])
    assert not answer.applied
    assert "a good-night test must take" in answer.text
    assert carry.reported.rehearsal.until_us is None


def test_texts_without_end_are_refused_and_not_repeated() -> None:
    long = "x" * (LONGEST_TEXT + 1)
    for more in ({"note": long}, {"by": long}, {"alarm": long}):
        _, (outcome,) = carry_over(WATCH, of_ph([4.5] * 4), commands=[ask(CommandKind.NOTE, **more)])
        assert outcome.answers[0].text.endswith("256 characters, at most 255 are taken: shorten it")
        entry = next(entry for entry in outcome.entries if entry.cause == "refused")
        assert max(len(entry.by), len(entry.alarm), len(entry.text)) <= LONGEST_TEXT


def test_a_whole_number_beyond_any_float_is_told_as_such() -> None:
    assert figures.OCCURRENCE.why_not(10**400) == (
        "an occurrence must be at most 9007199254740992, not so large a number"
    )


@pytest.mark.parametrize(("value", "is_taken"), [(0.00499, False), (0.005, True), (0.3, True), (0.301, False)])
def test_both_ends_of_a_figure_belong_to_it(value: float, *, is_taken: bool) -> None:
    assert (SPOT_U_PH.why_not(value) == "") is is_taken


def test_what_is_past_an_end_is_told_with_the_end_and_what_to_do() -> None:
    with pytest.raises(RefusedError, match=r"must be at most 0.3 pH, not 0.5: .* write it as a note instead"):
        SPOT_U_PH.check(0.5)


@pytest.mark.parametrize(
    ("verb", "name", "figure"),
    [
        ("mark", "minutes", figures.MINUTES),
        ("mark", "litres", figures.LITRES),
        ("mark", "hours_ago", figures.HOURS_AGO),
        ("shelve", "minutes", figures.MINUTES),
        ("shelve", "occurrence", figures.OCCURRENCE),
        ("acknowledge", "occurrence", figures.OCCURRENCE),
        ("spot", "ph", figures.SPOT_PH),
        ("spot", "u", figures.SPOT_U_PH),
    ],
)
def test_the_published_schemas_have_the_same_ends(verb: str, name: str, figure: Figure) -> None:
    told = msgspec.json.encode(schema(verb)).decode()
    ends = f'"minimum":{_plain(figure.low)},"maximum":{_plain(figure.high)}'
    assert ends in told.partition(f'"{name}":{{')[2].partition("}")[0]


def _plain(end: float) -> str:
    return str(int(end)) if end == int(end) else str(end)


OUT = ask(CommandKind.MARK, note="probe-out")
ATTEND = ask(CommandKind.ATTEND)


@pytest.mark.parametrize(("work", "why"), [(OUT, "the probe is marked out"), (ATTEND, "somebody works on the probe")])
@pytest.mark.parametrize(("kind", "is_taken"), [(CheckKind.SPOT, False), (CheckKind.BUFFER, True)])
def test_a_spot_check_says_nothing_while_the_probe_is_not_in_the_vat(
    work: Command, why: str, kind: CheckKind, *, is_taken: bool
) -> None:
    asked = replace(ask(CommandKind.CHECK, check=check(0.01, kind=kind)), id=8, seq=4)
    state, (outcome,) = carry_over(WATCH, of_ph([4.5] * 8), commands=[calibrate(), work, asked])
    answer = outcome.answers[-1]
    assert answer.applied is is_taken
    assert (why in answer.text) is not is_taken
    known = state.carry.electrode.estimate
    assert known is not None
    assert (state.carry.electrode.spot, any(known.steady.mean)) == (None, is_taken)
