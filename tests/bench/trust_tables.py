"""Tables of the bench of trust, as lines of text: median and, in brackets, worst; `-`: never."""

import math
from collections import Counter
from collections.abc import Callable, Iterable, Iterator, Sequence
from itertools import chain, groupby
from statistics import mean, median

from tests.bench.trust_runs import Ran, process_alarms
from tests.bench.trust_sets import NIGHTS_A_RUN, NONE, RISES, SPILLS, TRUE_ALARMS, Course, Section

LOSSES = ("trust-lost", "out-of-liquid", "erratic")
"""Alarms that say that the probe has lost trust."""
LIMIT_PH = 4.6
SOON_H = 0.5
Rows = dict[tuple[str, ...], list[Ran]]


def fault_table(ran: Iterable[Ran]) -> Iterator[str]:
    """Yield a line for each fault and course: when it was told, how long it was believed and wrong, by which alarms."""
    head = f"{'fault':30} {'vat':8} {'n':>2} {'word, h':>12} {'low, h':>12} {'wrong, h':>12} {'unwarned, h':>12} early"
    for section, group in _in_sections(ran):
        yield from ("", f"{section}:", f"{head} alarms")
        for (label, course), cases in _rows(group, lambda one: (one.case.cause.label, one.case.course)).items():
            figures = [
                median_worst([one.word_h for one in cases]),
                median_worst([one.first_h("low") for one in cases]),
                median_worst([one.wrong_h for one in cases]),
                median_worst([one.unwarned_h for one in cases]),
            ]
            columns = " ".join(f"{figure:>12}" for figure in figures)
            early = sum(len(_early(one)) for one in cases)
            said = f"{early or '.':>5} {_alarms(cases, since=0.0)}"
            yield f"{label:30} {course:8} {len(cases):2} {columns} {said}".rstrip()
        yield from _summed(group)


def _summed(group: Sequence[Ran]) -> Iterator[str]:
    """Yield a line for each course with all faults of a section."""
    faulty = [one for one in group if one.case.cause.name != NONE.name]
    for (course,), cases in _rows(faulty, lambda one: (one.case.course,)).items():
        words = [one.word_h for one in cases]
        soon, never = sum(hour <= SOON_H for hour in words), sum(hour == math.inf for hour in words)
        wrong, unwarned = (mean(value) for value in ([c.wrong_h for c in cases], [c.unwarned_h for c in cases]))
        yield (
            f"all, {course}: {len(cases)}, word within {SOON_H:g} h {soon}, never {never}; "
            f"mean wrong {wrong:.2f} h, unwarned {unwarned:.2f} h; early claims {sum(len(_early(c)) for c in cases)}"
        )


def night_table(ran: Iterable[Ran]) -> Iterator[str]:
    """Yield a line for each healthy cause: nights, losses of trust, what was told falsely, share not believed."""
    all_ran = list(ran)
    for section, group in _in_sections(all_ran):
        yield from ("", f"{section}:")
        yield (
            f"{'cause':26} {'nights':>6} {'losses':>6} {'high':>5} {'medium':>6} {'low':>5} {'not believed':>12} "
            "alarms (true ones left out)"
        )
        for (label,), cases in _rows(group, lambda one: (one.case.cause.label,)).items():
            yield _night_line(label, cases)
        disturbed = [one for one in group if one.case.cause.name not in (NONE.name, *SPILLS)]
        if disturbed:
            yield _night_line("all but none and spills", disturbed)


def _night_line(label: str, cases: Sequence[Ran]) -> str:
    false = Counter(
        (each.alarm, each.priority)
        for one in cases
        for each in one.told
        if each.alarm not in TRUE_ALARMS.get(one.case.cause.name, ())
    )
    by_priority = Counter[str]()
    for (_, priority), number in false.items():
        by_priority[priority] += number
    losses = sum(number for (alarm, _), number in false.items() if alarm in LOSSES)
    share = 100.0 * sum(one.not_believed for one in cases) / len(cases)
    figures = f"{by_priority['high'] or '.':>5} {by_priority['medium'] or '.':>6} {by_priority['low'] or '.':>5}"
    told = " ".join(f"{alarm} {number}" for (alarm, _), number in sorted(false.items()))
    return f"{label:26} {NIGHTS_A_RUN * len(cases):6} {losses or '.':>6} {figures} {share:10.2f} % {told}".rstrip()


def rise_table(ran: Iterable[Ran]) -> Iterator[str]:
    """Yield a line for each healthy cause: hours until a process alarm told of a true rise."""
    for section, group in _in_sections(ran):
        yield from ("", f"{section}:", f"{'cause, in a sour vat':26} {'n':>2} {_rise_heads()}  losses")
        sour, claimed = (
            [one for one in group if one.case.course is course] for course in (Course.SOUR, Course.FALLING)
        )
        for (label,), cases in _rows(sour, lambda one: (one.case.cause.label,)).items():
            yield _rise_line(label, cases, since=lambda _: 0.0)
        if claimed:
            yield from ("", f"{'after a claim, since 4.6':26} {'n':>2} {_rise_heads()}  losses")
            yield _rise_line(f"claimed before: {sum(bool(one.claims) for one in claimed)}", claimed, since=_above)


def _rise_heads() -> str:
    return " ".join(f"{f'{rise:g} pH/h':>12}" for rise in RISES)


def _rise_line(label: str, cases: Sequence[Ran], *, since: Callable[[Ran], float]) -> str:
    process = process_alarms()
    by_rise = ([one for one in cases if one.case.rise == rise] for rise in RISES)
    told = [[one.first_h("medium", "high", among=process) - since(one) for one in some] for some in by_rise]
    losses = sum(each.alarm in LOSSES for one in cases for each in one.told)
    return f"{label:26} {len(told[0]):2} {' '.join(f'{median_worst(hours):>12}' for hours in told)} {losses or '.':>7}"


def _above(one: Ran) -> float:
    return one.above_h[0] if one.above_h else 0.0


def claim_table(ran: Iterable[Ran]) -> Iterator[str]:
    """Yield a line for each fault: claims above the limit of all claims, by spot checks; worst true pH, wait."""
    habits = [(5.2, False), (5.2, True), (4.75, False), (4.75, True)]
    for section, group in _in_sections(ran):
        yield from ("", f"{section}: claims above {LIMIT_PH} / all / vats; 'and': compared again at the target")
        heads = [f"at {ph:g}{' and' if confirms else ''}" for ph, confirms in habits]
        yield f"{'fault, in a falling vat':30} " + " ".join(f"{head:>11}" for head in heads) + " worst pH  wait, h"
        for (label,), cases in _rows(group, lambda one: (one.case.cause.label,)).items():
            by_habit = [[one for one in cases if (one.case.from_ph, one.case.confirms) == habit] for habit in habits]
            yield f"{label:30} {' '.join(f'{_claims(some):>11}' for some in by_habit)} {_worst(cases)}"
        yield f"{'all':30} " + " ".join(f"{_claims(some):>11}" for some in _by_habit(group, habits))


def _by_habit(ran: Sequence[Ran], habits: Sequence[tuple[float, bool]]) -> list[list[Ran]]:
    faulty = [one for one in ran if one.case.cause.name != NONE.name]
    return [[one for one in faulty if (one.case.from_ph, one.case.confirms) == habit] for habit in habits]


def _claims(cases: Sequence[Ran]) -> str:
    early, made = sum(bool(_early(one)) for one in cases), sum(bool(one.claims) for one in cases)
    return f"{early or '.'} / {made} / {len(cases)}"


def _worst(cases: Sequence[Ran]) -> str:
    """Return the worst true pH of a claim, and how long after the true pH came to the target claims were made."""
    highest = max((ph for one in cases for _, ph in one.claims), default=None)
    waits = [one.claims[0][0] - one.passed_h[0] for one in cases if one.claims and one.passed_h]
    return f"{'-' if highest is None else f'{highest:.2f}':>8} {median_worst(waits) if waits else '-':>8}"


def _early(one: Ran) -> list[float]:
    return [ph for _, ph in one.claims if ph > LIMIT_PH]


def _in_sections(ran: Iterable[Ran]) -> Iterator[tuple[Section, list[Ran]]]:
    """Yield what is told together, in order."""
    order = list(Section)
    chosen = sorted(ran, key=lambda one: order.index(one.case.cause.section))
    for section, group in groupby(chosen, key=lambda one: one.case.cause.section):
        yield section, list(group)


def _rows(ran: Iterable[Ran], key: Callable[[Ran], tuple[str, ...]]) -> Rows:
    rows: Rows = {}
    for one in ran:
        rows.setdefault(key(one), []).append(one)
    return rows


def _alarms(cases: Sequence[Ran], *, since: float) -> str:
    """Say which alarms spoke, each with in how many of the cases."""
    ids = chain.from_iterable({each.alarm for each in one.told if each.hour >= since} for one in cases)
    return " ".join(f"{alarm} {number}" for alarm, number in sorted(Counter(ids).items()))


def median_worst(hours: Sequence[float]) -> str:
    """Say median and worst."""
    return f"{_hours(median(hours))} ({_hours(max(hours))})" if hours else ""


def _hours(value: float) -> str:
    return "-" if value == math.inf else f"{value:.1f}"
