"""The table in `vatvigil help trust` of what one probe sees late or never, as Markdown.

    .venv/bin/python -m tests.bench.trust_help --set judged --seeds 2

Sizes are the nominal ones. No first word is given for vats that rise: there it may be about the rise.
"""

import argparse
import math
from collections.abc import Iterable, Iterator, Sequence

from tests.bench.trust_runs import Ran, run
from tests.bench.trust_sets import SETS, Case, Course, Section, fault_cases

LATE = {
    "foam": "foam around the bulb",
    "hairline-crack": "hairline crack",
    "damp-plug": "damp plug",
    "still-air:0": "air, as warm as the vat",
    "still-air": "air, 2 or 4 C colder, no draught",
    "calm-air": "dead calm air, as warm as the vat",
    "buffer-glass:4.01": "pH 4 buffer",
    "reference-drift": "reference drifts, 0.5 to 1 pH a day",
    "coating": "coating, 0.5 or 2 h late",
    "offset:15": "offset of 15 mV",
    "toggling-digit": "frozen, last digit toggles",
    "restarting": "restarts every 20 min",
}
"""Words of a person, by how labels of causes begin; the first that fits."""
HEADS = ("fault, hours", "falling: told after", "wrong", "sour: told after", "wrong", "rising: wrong")


def late(case: Case) -> str:
    """Return the words for a case's fault, or none: it is told soon, or of another size."""
    if case.cause.section in (Section.LARGE, Section.SMALL):
        return ""
    return next((words for label, words in LATE.items() if case.cause.label.startswith(label)), "")


def help_table(ran: Iterable[Ran]) -> Iterator[str]:
    """Yield a line for each fault: first word, and how long it was believed and wrong, in each kind of vat."""
    yield from (_row(HEADS), _row(["---"] * len(HEADS)).replace(" ", ""))
    all_ran = list(ran)
    for words in LATE.values():
        falling, sour, rising = (
            [one for one in all_ran if late(one.case) == words and one.case.course is course] for course in Course
        )
        told = [_hours([one.word_h for one in cases]) for cases in (falling, sour)]
        wrong = [_hours([one.wrong_h for one in cases]) for cases in (falling, sour, rising)]
        yield _row([words, told[0], wrong[0], told[1], wrong[1], wrong[2]])


def _row(cells: Sequence[str]) -> str:
    return f"| {' | '.join(cells)} |"


def _hours(hours: Sequence[float]) -> str:
    """Say the least and the most: so few runs have no median worth telling."""
    least, most = (_hour(value) for value in (min(hours), max(hours)))
    return least if least == most else f"{least} to {most}"


def _hour(value: float) -> str:
    return "never" if value == math.inf else f"{value:.1f}" if value < 10.0 else f"{value:.0f}"


def main() -> None:
    """Run the late faults of a set and print the table."""
    parser = argparse.ArgumentParser(description="What one probe sees late or never.")
    parser.add_argument("--set", default="tuning", choices=SETS)
    parser.add_argument("--seeds", type=int, default=2)
    said = parser.parse_args()
    cases = [case for case in fault_cases(SETS[said.set], said.seeds) if late(case)]
    print(*help_table(run(case) for case in cases), sep="\n")


if __name__ == "__main__":
    main()
