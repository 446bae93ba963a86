"""Tell whether the files that run are those that were installed with vatvigil.

Law: it only reads the record of the installation (RECORD, https://packaging.python.org/specifications/recording-installed-packages/).

The import names `logger` and `simulator` are common ones. pip puts another distribution's files of these names over
ours without a word, and takes ours away with theirs. So the sizes are compared: what was put over them has another one.
"""

from collections.abc import Iterable, Iterator
from importlib.metadata import Distribution, PackageNotFoundError, distribution, distributions
from pathlib import Path

NAMES = ("logger", "simulator")
REMEDY = (
    "install vatvigil by itself, where nothing else can bring files of these names: `pipx install vatvigil`, or a new"
    " venv"
)


def foreign() -> str:
    """Say which files are not ours and what to do; empty: all are, or nothing was installed to compare with."""
    try:
        own = distribution("vatvigil")
    except PackageNotFoundError:
        return ""
    return compare(own, Path(__file__).parent, distributions())


def compare(own: Distribution, imported: Path, others: Iterable[Distribution]) -> str:
    """Compare what our distribution installed with the folder `logger` that was imported."""
    files = [file for file in own.files or () if file.parts[0] in NAMES]
    if not files:  # it runs from its source
        return ""
    installed = Path(str(own.locate_file("logger")))
    if imported.resolve() != installed.resolve():
        return f"The package `logger` that runs is {imported}, not that of vatvigil ({installed}): {REMEDY}"
    wrong = [str(file) for file in files if not _is_ours(Path(str(own.locate_file(file))), file.size)]
    if not wrong:
        return ""
    rival = next(_rivals(others), "")
    who = f"the distribution {rival} has files of the same name" if rival else "something was put over them"
    return f"{len(wrong)} files of vatvigil are missing or not its own, {wrong[0]} among them: {who}; {REMEDY}"


def _is_ours(path: Path, size: int | None) -> bool:
    try:
        return path.stat().st_size == size or size is None
    except OSError:
        return False


def _rivals(others: Iterable[Distribution]) -> Iterator[str]:
    for other in others:
        name = other.metadata["Name"]
        if name != "vatvigil" and any(file.parts[0] in NAMES for file in other.files or ()):
            yield name
