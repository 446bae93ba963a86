"""What benches printed, kept in tests/bench/README.md."""

from tests.bench.conftest import NEWEST, README, with_section

FIRST = f"# Figures\n\n{NEWEST}\n### bench_a\n\nold:\n\n    1 row\n\n### bench_c\n\nold:\n\n    3 rows\n"


def test_the_section_of_a_bench_takes_the_place_of_its_older_one() -> None:
    assert with_section(FIRST, "bench_a", "new:\n\n    2 rows") == FIRST.replace(
        "old:\n\n    1 row", "new:\n\n    2 rows"
    )


def test_a_bench_that_is_new_gets_its_section_among_the_others() -> None:
    text = with_section(FIRST, "bench_b", "new:\n\n    2 rows")
    assert [line for line in text.splitlines() if line.startswith("### ")] == [
        "### bench_a",
        "### bench_b",
        "### bench_c",
    ]
    assert with_section(text, "bench_b", "new:\n\n    2 rows") == text


def test_the_readme_has_the_section_that_benches_write() -> None:
    assert README.read_text(encoding="utf-8").count(NEWEST) == 1
