"""Write a page to a file, whole or not at all."""

from pathlib import Path

from logger.errors import RefusedError


def write_page(path: Path, page: str) -> None:
    """Write a page beside its place and put it there when it is whole. Raises RefusedError."""
    part = path.with_name(f".{path.name}.part")
    try:
        part.write_text(page, encoding="utf-8")
        part.replace(path)
    except OSError as error:
        part.unlink(missing_ok=True)
        raise RefusedError(f"{path} cannot be written ({error.strerror}): choose another file") from error
