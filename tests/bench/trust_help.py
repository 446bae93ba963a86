"""The table in `vatvigil help trust` of what one probe sees late or never, as Markdown.

    .venv/bin/python -m tests.bench.trust_help --set judged --seeds 2

Sizes are the nominal ones. Sour vats that rise are left out: there a word may be about the rise.
"""

import argparse
from collections.abc import Iterable, Iterator, Sequence

from tests.bench.trust_runs import Ran, run
from tests.bench.trust_sets import SETS, Case, Course, Section, fault_cases
from tests.bench.trust_tables import median_worst

LATE = {
    "foam": "foam around the bulb",
    "hairline-crack": "hairline crack",
    "damp-plug": "damp plug",
    "still-air:0": "in still air as warm as the vat",
    "calm-air": "in calm air as warm as the vat",
    "buffer-glass:4.01": "in a pH 4 buffer",
    "reference-drift": "reference drifts 0.5 to 1 pH a day",
    "coating": "coating, follows 0.5 to 2 h late",
    "offset:15": "offset of 15 mV",
    "toggling-digit": "frozen but for a last digit that toggles",
    "restarting": "restarts every 20 min",
}
"""Words of a person, by how labels of causes begin."""
VATS = (Course.FALLING, Course.SOUR)


def late(case: Case) -> str:
    """Return the words for a case's fault, or none: it is told soon, of another size, or in a vat that rises."""
    if case.course not in VATS or case.cause.section in (Section.LARGE, Section.SMALL):
        return ""
    return next((words for label, words in LATE.items() if case.cause.label.startswith(label)), "")


def help_table(ran: Iterable[Ran]) -> Iterator[str]:
    """Yield a line for each fault and vat: runs, first word, how long it was believed and wrong."""
    yield "| fault | vat | runs | first word, h | believed and wrong, h |"
    yield "|---|---|---|---|---|"
    all_ran = list(ran)
    for words in LATE.values():
        for course in VATS:
            cases = [one for one in all_ran if one.case.course is course and late(one.case) == words]
            if cases:
                yield _line(words, course, cases)


def _line(words: str, course: Course, cases: Sequence[Ran]) -> str:
    told, wrong = median_worst([one.word_h for one in cases]), median_worst([one.wrong_h for one in cases])
    return f"| {words} | {course} | {len(cases)} | {told} | {wrong} |"


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
