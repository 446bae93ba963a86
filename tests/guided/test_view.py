"""What is seen: 80 columns, no meaning by colour alone."""

import io

import pytest

from logger.errors import RefusedError
from logger.guided import view
from logger.guided.screen import Plain, Terminal, folded
from logger.guided.view import ScreenLine, Tone
from logger.measure.buffers import BUFFERS
from logger.model import Reason
from tests.guided.factories import PH, Person, calibration, task

SILENCE = "the daemon stores no readings: does it still run? (`vatvigil status`)"


def seen(person: Person) -> str:
    """Return the picture as it stands on the screen, after checking that it fits."""
    lines = folded([one.text for one in view.picture(person.task, person.state, silence=SILENCE, now_us=person.now_us)])
    assert [line for line in lines if len(line) > 80] == []
    return "\n".join(lines)


def test_a_stable_potential_says_so_in_words_with_its_buffer_and_a_full_bar() -> None:
    person = Person(task())
    person.press()
    person.wait(PH["gbt-phthalate"])
    picture = seen(person)
    assert "STABLE: press Enter" in picture
    assert "gbt-phthalate, pH 4.003 at 25.0 C (GB/T 27501)" in picture
    assert "[" + "#" * view.BAR + "]" in picture


@pytest.mark.parametrize(
    ("seconds", "tau_s", "noise_mv", "said"),
    [(10, 12.0, 0.1, "measuring"), (60, 60.0, 0.1, "drifting"), (200, 12.0, 9.0, "unstable signal")],
)
def test_what_stands_in_the_way_is_said_and_the_bar_is_not_full(
    seconds: int, tau_s: float, noise_mv: float, said: str
) -> None:
    person = Person(task(), tau_s=tau_s, noise_mv=noise_mv)
    person.press()
    person.wait(PH["gbt-phthalate"], seconds)
    picture = seen(person)
    assert said in picture
    assert "STABLE" not in picture
    assert "#" * view.BAR not in picture


def test_a_potential_of_no_buffer_says_which_is_nearest_and_what_to_look_at() -> None:
    person = Person(task(in_force=calibration()))
    person.press()
    person.wait(7.9)
    assert "not recognised" in seen(person)
    assert "[1-3] name the buffer" in seen(person)


def test_a_potential_on_its_way_is_no_buffers_yet() -> None:
    person = Person(task(in_force=calibration()), tau_s=60.0)
    person.press()
    for _ in range(8):
        person.wait(PH["gbt-phthalate"], 5)
        assert "shown once the reading has settled" in seen(person)
        assert "fits none" not in seen(person)
    person.press("1")
    assert "gbt-phthalate (pH 4.00), named by you" in seen(person)
    slower = Person(task(in_force=calibration()))
    slower.press()
    slower.wait(7.9)
    assert "fits none of the buffers on the table" in seen(slower)


def test_two_buffers_that_a_probe_cannot_tell_apart_are_left_to_the_label() -> None:
    shelf = tuple(BUFFERS[name] for name in ("gbt-phosphate", "technical-7.00"))
    whole = task()
    person = Person(task(table=type(whole.table)(buffers=shelf), wanted=2))
    person.press()
    person.wait(PH["gbt-phosphate"])
    assert "Read the label on the bottle and name the buffer" in " ".join(seen(person).split())
    person.press("1")
    assert "read the label once more" in " ".join(seen(person).split())
    assert "gbt-phosphate, pH 6.864" in seen(person)


def test_silence_is_said_with_what_to_look_for() -> None:
    person = Person(task())
    assert "Waiting for the first reading" in seen(person)
    person.wait(7.0, 3)
    person.pass_time(7)
    assert f"NO READING for 7 s: {SILENCE}" in " ".join(seen(person).split())


def test_a_reading_without_a_value_says_why() -> None:
    person = Person(task())
    person.silence(1)
    assert f"NO READING: {Reason.TIMEOUT.words}" in seen(person)


def test_each_stage_shows_its_keys() -> None:
    person = Person(task())
    person.wait(7.0, 1)
    assert "[f] finish" in seen(person)
    person.take_all()
    assert "[y] yes   [n] not now   [b] take a buffer again" in seen(person)
    person.press("q")
    person.keep()
    assert "[Enter] the probe is back in the vat" in seen(person)


KEYS_OF_STAGES = {
    "move": ["[Enter] it is in the buffer", "[1-3] it is in that one", "[f] finish", "[q] stop"],
    "settle": ["[Enter] take", "[1-3] name the buffer", "[r] start again", "[s] skip", "[q] stop"],
    "decide": ["Put it into force?", "[y] yes", "[n] not now", "[b] take a buffer again"],
    "return": ["[Enter] the probe is back in the vat"],
}


@pytest.mark.parametrize("width", [40, 60, 80])
def test_every_key_stands_whole_on_a_line_of_a_narrow_terminal(width: int) -> None:
    def lines() -> list[str]:
        drawn = view.picture(person.task, person.state, silence=SILENCE, now_us=person.now_us)
        return folded([one.text for one in drawn], width)

    person, seen_lines = Person(task(), noise_mv=0.05), {}
    person.wait(7.0, 1)
    seen_lines["move"] = lines()
    person.press()
    person.wait(PH["gbt-phthalate"], 20)
    seen_lines["settle"] = lines()
    person.press("s")
    person.take_all()
    seen_lines["decide"] = lines()
    person.press("q")
    person.keep()
    seen_lines["return"] = lines()
    for stage, keys in KEYS_OF_STAGES.items():
        assert [key for key in keys if not any(key in line for line in seen_lines[stage])] == []
        assert max(map(len, seen_lines[stage])) <= width


def test_one_buffer_needs_no_numbers() -> None:
    whole = task()
    one = task(table=type(whole.table)(buffers=whole.table.buffers[:1]), wanted=1)
    person = Person(one)
    person.wait(7.0, 1)
    assert "[1-" not in seen(person)


def test_the_card_fits_80_columns() -> None:
    person = Person(task(in_force=calibration(offset_mv=9.0)))
    person.take_all()
    assert [line for line in folded(person.said) if len(line) > 80] == []
    assert "ACCEPTED: calibration of marrow-probe, electrode E-17" in person.words


def test_a_pipe_gets_a_line_when_something_has_changed_and_no_escapes() -> None:
    stream = io.StringIO()
    screen, person = Plain(stream), Person(task())
    person.press()
    for _ in range(12):
        person.wait(PH["gbt-phthalate"], 15)
        screen.show([], view.brief(person.state))
        screen.show([], view.brief(person.state))
    lines = stream.getvalue().splitlines()
    assert "\x1b" not in stream.getvalue()
    assert len(lines) <= 12
    assert lines[-1].endswith("STABLE: press Enter; gbt-phthalate")


def test_a_terminal_is_drawn_over_and_left_clean() -> None:
    class Tty(io.StringIO):
        def isatty(self) -> bool:
            return True

    stream = Tty()

    def refused() -> None:
        with Terminal(stream) as screen:
            screen.say(["stays"])
            screen.show([ScreenLine("picture", Tone.BAD)], "")
            screen.say(["what stood in it is over"])
            raise RefusedError("out")

    with pytest.raises(RefusedError):
        refused()
    assert "stays" in stream.getvalue()
    assert stream.getvalue().count("picture") == 1
    assert "picture" in stream.getvalue()


def test_a_list_is_folded_under_its_text() -> None:
    assert folded(["  - " + "word " * 20]) == ["  - " + "word " * 14 + "word", "    " + "word " * 4 + "word"]
