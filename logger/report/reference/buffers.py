"""Tables of the built-in buffers: pH against temperature."""

from logger.measure import buffers as standard_buffers
from logger.report.reference.markdown import table


def buffers() -> str:
    """Return pH against temperature of every built-in buffer, by standard."""
    standards = list(dict.fromkeys(one.standard for one in standard_buffers.BUFFERS.values()))
    return "\n\n".join(f"{standard}:\n\n{_buffers_of(standard)}" for standard in standards)


def _buffers_of(standard: str) -> str:
    shelf = [one for one in standard_buffers.BUFFERS.values() if one.standard == standard]
    temperatures = sorted({t for one in shelf for t in one.temperatures_c})
    values = [dict(zip(one.temperatures_c, one.values_ph, strict=True)) for one in shelf]
    digits = max(len(f"{ph:g}".partition(".")[2]) for one in values for ph in one.values())
    rows = [[f"{t:g} C", *(f"{one[t]:.{digits}f}" if t in one else "-" for one in values)] for t in temperatures]
    return table(("", *(f"`{one.id}`" for one in shelf)), rows)
