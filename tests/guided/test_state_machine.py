"""A session as a state machine: each test is a person at the bench."""

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from logger.guided import state_machine, words
from logger.guided.immersion import HELD_S
from logger.guided.keys import END
from logger.guided.state_machine import GuidedState, Stage, TakenPoint
from logger.model import Acceptance, Reason
from tests.guided.factories import PH, TABLE, Person, calibration, potential_mv, task

PHTHALATE, PHOSPHATE, BORAX = PH.values()


def test_three_glasses_a_verdict_a_yes_and_the_probe_is_back() -> None:
    person = Person(task())
    person.take_all()
    assert person.state.stage is Stage.DECIDE
    assert [p.buffer for p in person.state.points] == list(PH)
    person.press("y")
    assert (person.state.stage, person.state.is_wanted) == (Stage.KEEP, True)
    person.keep()
    assert person.said[-1] == words.BACK
    person.press()
    assert (person.state.stage, person.state.is_kept) == (Stage.END, True)


def test_the_points_are_what_the_electrode_gives_in_the_buffers() -> None:
    person = Person(task(), noise_mv=0.05)
    person.take_all()
    for point in person.state.points:
        assert point.buffer_ph == pytest.approx(PH[point.buffer], abs=1e-9)  # at 25 C, as printed
        assert point.potential_mv == pytest.approx(potential_mv(PH[point.buffer]), abs=0.05)
        assert point.settle_s is None or point.settle_s == pytest.approx(12.0 * np.log(20.0), rel=0.2)
    made = person.state.conclusion.calibration if person.state.conclusion else None
    assert made is not None
    assert (made.verdict, made.electrode, made.by) == (Acceptance.ACCEPTED, "E-17", "tova")
    assert made.slope == pytest.approx(0.98, abs=0.001)


@given(st.permutations(list(PH.values())))
def test_the_order_of_the_glasses_is_the_persons(glasses: list[float]) -> None:
    person = Person(task())
    person.take_all(glasses)
    assert person.state.stage is Stage.DECIDE
    assert sorted(p.buffer for p in person.state.points) == sorted(PH)


def test_nothing_is_taken_before_it_is_stable() -> None:
    person = Person(task())
    person.press()
    person.wait(PHTHALATE, 25)
    person.press()
    assert (person.state.stage, person.state.taken, person.said[-1]) == (Stage.SETTLE, (), words.NOT_STABLE)


def test_a_potential_is_offered_once_it_has_stayed_stable_for_a_while() -> None:
    person = Person(task(), noise_mv=0.02)
    person.press()
    while person.state.shown is None or not person.state.shown.stability.is_stable:
        person.wait(PHTHALATE, 1)
    for second in range(round(HELD_S)):
        assert not person.state.shown.is_offered, second
        person.press()
        assert (person.state.taken, person.said[-1]) == ((), words.NOT_STABLE)
        person.wait(PHTHALATE, 1)
    assert person.state.shown.is_offered
    person.press()
    assert len(person.state.taken) == 1


def test_a_potential_that_is_stable_now_and_then_is_not_offered() -> None:
    seen = []
    for seed in range(3):
        person = Person(task(), noise_mv=0.14)  # the drift of a window is known to 0.15 mV/min, half of its limit
        person.second = 1000 * seed
        person.press()
        person.wait(PHTHALATE, 115)
        for _ in range(60):
            person.wait(PHTHALATE, 1)
            assert person.state.shown is not None
            seen.append((person.state.shown.stability.is_stable, person.state.shown.is_offered))
    begins = [n for n in range(1, len(seen)) if seen[n][0] and not seen[n - 1][0]]
    assert len(begins) > 3
    assert not any(offered for n in begins for _, offered in seen[n : n + round(HELD_S)])
    assert [stable for stable, offered in seen if offered and not stable] == []


def test_what_was_read_before_the_person_said_that_it_stands_there_does_not_count() -> None:
    person = Person(task())
    person.wait(PHTHALATE, 300)
    person.press()
    person.press()
    assert person.state.taken == ()
    person.wait(PHTHALATE, 35)
    person.press()
    assert len(person.state.taken) == 1


def test_each_buffer_is_named_with_its_ph() -> None:
    told = " ".join("\n".join(state_machine.opening(task(), GuidedState())).split())
    assert "[1] gbt-phthalate (pH 4.00 at 25 C), or [2] gbt-phosphate (pH 6.86) or [3] gbt-borax (pH 9.18)" in told


def test_one_glass_is_enough_when_the_person_finishes() -> None:
    person = Person(task(in_force=calibration()))
    person.take(PHTHALATE)
    person.press("f")
    assert person.state.stage is Stage.DECIDE
    assert "One buffer sets only the offset" in person.words


def test_finishing_with_nothing_says_so() -> None:
    person = Person(task())
    person.press("f")
    assert (person.state.stage, person.said) == (Stage.MOVE, [words.NOTHING_TAKEN])


def test_a_skipped_glass_takes_nothing() -> None:
    person = Person(task())
    person.press()
    person.wait(PHTHALATE)
    person.press("s")
    assert (person.state.stage, person.state.taken, person.said[0]) == (Stage.MOVE, (), words.SKIPPED)


def test_starting_again_forgets_the_readings() -> None:
    person = Person(task())
    person.press()
    person.wait(PHTHALATE)
    person.press("r")
    person.press()
    assert (person.state.stage, person.state.taken) == (Stage.SETTLE, ())


def test_a_buffer_taken_again_takes_the_place_of_its_first_point() -> None:
    person = Person(task())
    person.take(PHTHALATE)
    first = person.state.points[0]
    person.press("1")
    person.wait(PHTHALATE)
    person.press()
    assert words.REPLACED in person.said
    assert [p.buffer for p in person.state.points] == ["gbt-phthalate"]
    assert person.state.points[0] != first


def test_the_same_glass_by_mistake_is_not_a_second_point() -> None:
    person = Person(task())
    person.take(PHTHALATE)
    person.take(PHTHALATE)
    assert len(person.state.taken) == 1
    assert person.said[-1] == words.UNKNOWN


def test_after_the_verdict_a_buffer_can_be_taken_again() -> None:
    person = Person(task())
    person.take_all()
    person.press("b")
    assert (person.state.stage, len(person.state.taken)) == (Stage.MOVE, 3)
    person.press("3")
    person.wait(BORAX)
    person.press()
    assert (person.state.stage, len(person.state.taken)) == (Stage.DECIDE, 3)


@pytest.mark.parametrize("answer", ["n", "q"])
def test_without_a_yes_it_is_kept_and_not_wanted(answer: str) -> None:
    person = Person(task())
    person.take_all()
    person.press(answer)
    assert (person.state.stage, person.state.is_wanted) == (Stage.KEEP, False)
    person.keep()
    assert (person.state.stage, person.said[-2:]) == (Stage.RETURN, ["kept", words.BACK])


@pytest.mark.parametrize("answer", ["", *"xf17 j"])
def test_enter_and_any_other_key_decide_nothing_and_it_asks_again(answer: str) -> None:
    person = Person(task())
    person.take_all()
    person.press(answer)
    assert (person.state.stage, person.said[-1]) == (Stage.DECIDE, words.YES_OR_NO)
    person.press("y")
    assert (person.state.stage, person.state.is_wanted) == (Stage.KEEP, True)


def test_when_the_input_ends_at_the_question_it_is_kept_and_nobody_is_waited_for() -> None:
    person = Person(task())
    person.take_all()
    person.press(END)
    assert (person.state.stage, person.state.is_wanted) == (Stage.KEEP, False)
    person.keep()
    assert (person.state.stage, person.state.is_kept) == (Stage.END, True)
    assert person.said[-2:] == ["kept", words.put_back("marrow")]


def test_assuming_yes_asks_nobody() -> None:
    person = Person(task(assume_yes=True))
    person.take_all()
    assert (person.state.stage, person.state.is_wanted) == (Stage.KEEP, True)


def test_assuming_yes_puts_no_refused_one_into_force() -> None:
    person = Person(task(assume_yes=True), slope=0.40)
    insist_on_all(person)
    assert person.state.stage is Stage.DECIDE
    person.press("y")
    assert person.state.stage is Stage.DECIDE
    person.press()
    assert (person.state.stage, person.state.is_wanted) == (Stage.KEEP, False)


def insist_on_all(person: Person, glasses: tuple[float, ...] = tuple(PH.values())) -> None:
    """Name each buffer by its number and say twice that it is that one."""
    for number, ph in enumerate(glasses, start=1):
        person.press(str(number))
        person.wait(ph)
        person.press()
        person.press()


def test_a_cracked_bulb_is_told_at_the_glass_and_refused_by_the_verdict() -> None:
    person = Person(task(in_force=calibration()), slope=0.40)
    person.press()
    person.wait(PHTHALATE)
    person.press()
    assert (person.state.taken, person.said[-1]) == ((), words.UNKNOWN)
    person.press("s")
    insist_on_all(person)
    assert person.state.conclusion is not None
    assert person.state.conclusion.is_refused
    assert "cracked, dry or dirty bulb" in person.words
    assert person.state.conclusion.checks == ()  # buffers in doubt say nothing of the calibration in force


def test_glasses_that_stand_in_each_others_place_are_told_at_the_first_and_refused_in_the_end() -> None:
    person = Person(task(in_force=calibration()))
    person.press("1")
    person.wait(PHOSPHATE)
    assert person.state.shown is not None
    assert person.state.shown.recognition is not None
    assert "were two glasses swapped?" in " ".join(person.state.shown.recognition.sentences)
    person.press("s")
    insist_on_all(person, (PHOSPHATE, PHTHALATE, BORAX))
    assert person.state.conclusion is not None
    assert person.state.conclusion.is_refused
    assert "Buffers swapped" in person.words


def test_swapped_glasses_do_no_harm_to_whoever_names_none() -> None:
    person = Person(task(in_force=calibration()))
    person.take_all((PHOSPHATE, PHTHALATE, BORAX))  # the first was said to be phthalate
    assert [p.buffer for p in person.state.points] == ["gbt-phosphate", "gbt-phthalate", "gbt-borax"]
    assert person.state.conclusion is not None
    assert not person.state.conclusion.is_refused


def test_one_that_never_settles_is_told_what_to_look_for_again_and_again() -> None:
    person = Person(task(), noise_mv=8.0)
    person.press()
    person.wait(PHTHALATE, 400)
    assert sum("Not stable after 180 s" in line for line in person.said) == 2
    assert "air bubble behind the glass" in person.words
    person.press()
    assert person.state.taken == ()


def test_a_cold_buffer_beside_warm_ones_is_warned_of_and_refused_when_it_is_far_off() -> None:
    person = Person(task())
    person.take(PHTHALATE)
    person.take(PHOSPHATE)
    person.press()
    person.wait(9.300, celsius=12.0)  # borax at 12 C: between 9.330 (10 C) and 9.276 (15 C), GB/T 27501
    person.press()
    assert "this buffer is at 12.0 C, gbt-phthalate was at 25.0 C" in person.words
    assert person.state.conclusion is not None
    assert person.state.conclusion.is_refused
    assert "Cold buffer" in person.words


def test_buffers_that_are_all_cold_are_read_by_their_own_table() -> None:
    # GB/T 27501 at 10 C: 3.996, 6.921, 9.330
    person = Person(task())
    person.take_all((3.996, 6.921, 9.330), celsius=10.0)
    assert [round(p.buffer_ph, 3) for p in person.state.points] == [3.996, 6.921, 9.330]
    made = person.state.conclusion.calibration if person.state.conclusion else None
    assert made is not None
    assert made.slope == pytest.approx(0.98, abs=0.001)


def test_a_probe_that_drops_out_is_waited_for() -> None:
    person = Person(task())
    person.press()
    person.wait(PHTHALATE, 60)
    person.silence(40)
    person.press()
    assert person.state.taken == ()
    assert person.state.newest is not None
    assert person.state.newest.reason is Reason.TIMEOUT
    person.wait(PHTHALATE, 150)
    person.press()
    assert len(person.state.taken) == 1


@pytest.mark.parametrize("glasses", [0, 1, 2])
def test_when_the_input_ends_nothing_is_changed_and_nobody_is_waited_for(glasses: int) -> None:
    person = Person(task())
    person.take_all(tuple(PH.values())[:glasses])
    person.press(END)
    assert person.said[-2:] == [words.STOPPED, words.put_back("marrow")]
    assert (person.state.stage, person.state.is_kept, person.state.is_back) == (Stage.END, False, False)


@pytest.mark.parametrize("glasses", [0, 1, 2])
def test_stopping_changes_nothing_and_reminds_of_the_probe(glasses: int) -> None:
    person = Person(task())
    person.take_all(tuple(PH.values())[:glasses])
    person.press("q")
    assert person.said[-2:] == [words.STOPPED, words.BACK]
    person.press()
    assert (person.state.stage, person.state.is_kept, person.state.is_back) == (Stage.END, False, True)


@pytest.mark.parametrize("answer", ["q", END])
def test_only_enter_is_the_word_that_the_probe_is_back(answer: str) -> None:
    person = Person(task())
    person.press("q")
    person.press("x")
    assert person.state.stage is Stage.RETURN
    person.press(answer)
    assert (person.state.stage, person.state.is_back) == (Stage.END, False)
    assert person.said[-1] == (
        "Keep the bulb wet: put the probe back into the vat. Until you say that it is back its readings are"
        " not believed and the alarms of the vat stay held back: `vatvigil mark marrow probe-in`."
    )


def test_a_session_that_was_cut_off_goes_on_with_its_points() -> None:
    first = Person(task(resume="vatvigil calibrate marrow-probe --resume"))
    first.take(PHTHALATE)
    first.take(PHOSPHATE)
    first.press("q")
    assert (
        "What was taken is kept for an hour: gbt-phthalate (pH 4.00), gbt-phosphate (pH 6.86)."
        " To go on with it: `vatvigil calibrate marrow-probe --resume`." in first.words
    )
    again = task(before=first.state.taken)
    told = "\n".join(state_machine.opening(again, GuidedState(taken=again.before)))
    assert "Taken before it was cut off:\n  - gbt-phthalate, pH 4.003: +178.7 mV at 25.0 C" in told
    assert "\n  - gbt-phosphate, pH 6.864: +12." in told
    assert "Buffer 3 of 3" in told
    resumed = Person(task(), state=GuidedState(taken=first.state.taken))
    resumed.take(BORAX)
    assert resumed.state.stage is Stage.DECIDE


def test_points_of_which_nothing_comes_let_the_person_go_on() -> None:
    person = Person(task())
    person.take(PHTHALATE)
    (one,) = person.state.taken
    twice = (one, TakenPoint(point=one.point, at_us=one.at_us))
    person.state = GuidedState(taken=twice)
    person.press("f")
    assert (person.state.stage, "buffer dipped twice?" in person.words) == (Stage.MOVE, True)


KEYS = st.sampled_from(["", "r", "s", "f", "q", "y", "n", "b", "1", "2", "3", "9", "x", END])
GLASSES = st.sampled_from([*PH.values(), 7.9])


@given(st.lists(st.one_of(KEYS, GLASSES), max_size=25))
def test_whatever_is_pressed_nothing_is_kept_without_a_yes_after_a_verdict(course: list[str | float]) -> None:
    person = Person(task())
    for act in course:
        before = person.state.stage
        if isinstance(act, float):
            person.wait(act, 45)
        else:
            person.press(act)
        if person.state.stage is Stage.KEEP:
            wanted = person.state.is_wanted
            assert (before, wanted) == (Stage.DECIDE, act == "y")
            assert person.state.conclusion is not None
            assert not (wanted and person.state.conclusion.is_refused)
            person.keep()
    assert {p.buffer for p in person.state.points} <= {b.id for b in TABLE}
