"""Tables of the bench of claims, as lines of text; `early`: claimed while the true pH was above the limit."""

import math
from collections.abc import Iterable, Iterator, Sequence

import numpy as np

from tests.bench.claim_runs import Made, Ran
from tests.bench.claim_sets import LIMIT_PH

EDGES_PH = (-0.15, -0.09, -0.03, 0.03, 0.09, 0.15)
"""Of the seven bins of what the newest measurement beside the probe found."""
FEWEST = 30
"""Of fewer claims no worst bin is made."""
FAR_PH = 4.65
Row = tuple[str, str]
Rows = dict[Row, list[Ran]]
HEAD = f"{'person':20} {'errors':14}"


def early_table(rows: Rows) -> Iterator[str]:
    """Yield a line for each person and errors, and the same by bins."""
    yield (
        f"{HEAD} {'crossed':>7} {'claims':>6} {'early':>5} {'%':>6} {'worst bin %':>11} {'worst pH':>8}"
        f" {'wait h, median 90 %':>20} {'never/settled':>13} {'%':>6} {'spots':>5}"
    )
    for row, ran in rows.items():
        yield _named(row, _early_line(ran))
    yield from ("", f"{HEAD} early/claims by what the newest spot found (reading less it): {_bin_heads()}")
    for row, ran in rows.items():
        cells = " ".join(f"{early:>4}/{len(some):<5}" for early, some in _counted(_bins(_claims(ran))))
        yield _named(row, cells)


def _early_line(ran: Sequence[Ran]) -> str:
    claims, crossed = _claims(ran), sum(one.crossed_h < math.inf for one in ran)
    early = sum(one.is_early for one in ran)
    settled, never = sum(one.settled_h < math.inf for one in ran), sum(one.is_never for one in ran)
    waits = [one.claim.hour - one.crossed_h for one in ran if one.claim and one.crossed_h < math.inf]
    wait = f"{np.median(waits):.1f} {np.percentile(waits, 90):.1f}" if waits else "-"
    spots = np.mean([one.spots for one in ran if one.claim]) if claims else math.nan
    return (
        f"{crossed:7} {len(claims):6} {early:5} {_per_cent(early, len(claims)):>6} {_worst_bin(claims):>11}"
        f" {_worst_ph(claims):>8} {wait:>20} {f'{never}/{settled}':>13} {_per_cent(never, settled):>6} {spots:5.1f}"
    )


def creep_table(rows: Rows) -> Iterator[str]:
    """Yield a line for each person and creep; vats that never came to where it begins are left out before."""
    yield f"{HEAD} {'vats':>5} {'claims':>6} {'early':>5} {'% of claims':>11} {'% of vats':>9} {'>4.65 %':>8} worst pH"
    for row, ran in rows.items():
        claims, early = _claims(ran), sum(one.is_early for one in ran)
        far = sum(claim.true_ph > FAR_PH for claim in claims)
        figures = f"{_per_cent(early, len(claims)):>11} {_per_cent(early, len(ran)):>9} {_per_cent(far, len(ran)):>8}"
        yield _named(row, f"{len(ran):5} {len(claims):6} {early:5} {figures} {_worst_ph(claims):>8}")


def withdrawn_table(rows: Rows) -> Iterator[str]:
    """Yield a line for each person and errors: which claims did not last, true and early ones."""
    heads = f"{'true, withdrawn':>17} {'%':>6} {'early, withdrawn':>17} {'>4.65, withdrawn':>17}"
    yield f"{HEAD} {heads} {'after h, median':>16}"
    for row, ran in rows.items():
        groups = (
            [one.claim for one in ran if one.claim and not one.is_early],
            [one.claim for one in ran if one.claim and one.is_early],
            [one.claim for one in ran if one.claim and one.claim.true_ph > FAR_PH],
        )
        gone = [[each for each in group if each.withdrawn_h < math.inf] for group in groups]
        cells = [f"{f'{len(lost)}/{len(group)}':>17}" for lost, group in zip(gone, groups, strict=True)]
        after = [each.withdrawn_h - each.hour for each in gone[0] + gone[1]]
        late = f"{np.median(after):.1f}" if after else "-"
        share = _per_cent(len(gone[0]), len(groups[0]))
        yield _named(row, f"{cells[0]} {share:>6} {cells[1]} {cells[2]} {late:>16}")


def _named(row: Row, rest: str) -> str:
    return f"{row[0]:20} {row[1]:14} {rest}"


def _claims(ran: Iterable[Ran]) -> list[Made]:
    return [one.claim for one in ran if one.claim is not None]


def _bins(claims: Iterable[Made]) -> list[list[Made]]:
    """Return the claims by bin; last those without any measurement beside the probe."""
    bins: list[list[Made]] = [[] for _ in range(len(EDGES_PH) + 2)]
    for claim in claims:
        bins[-1 if math.isnan(claim.found_ph) else int(np.searchsorted(EDGES_PH, claim.found_ph))].append(claim)
    return bins


def _bin_heads() -> str:
    inner = [f"{low:+.2f}" for low in EDGES_PH]
    return f"< {' | '.join(inner)} < | none"


def _counted(bins: Iterable[list[Made]]) -> Iterator[tuple[int, list[Made]]]:
    for some in bins:
        yield sum(claim.true_ph > LIMIT_PH for claim in some), some


def _worst_bin(claims: Sequence[Made]) -> str:
    shares = [early / len(some) for early, some in _counted(_bins(claims)[:-1]) if len(some) >= FEWEST]
    return f"{100 * max(shares):.2f}" if shares else "-"


def _worst_ph(claims: Sequence[Made]) -> str:
    return f"{max(claim.true_ph for claim in claims):.2f}" if claims else "-"


def _per_cent(part: int, whole: int) -> str:
    return f"{100 * part / whole:.2f}" if whole else "-"
