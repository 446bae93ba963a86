"""What a person presses: on a real terminal and through a pipe."""

import os
import termios
import threading
from collections.abc import Iterator

import pytest

from logger.guided.keys import END, Keys


@pytest.fixture
def terminal() -> Iterator[tuple[int, int]]:
    """Return both ends of a terminal: where a person types, and where a program reads."""
    ends = os.openpty()
    yield ends
    for end in ends:
        os.close(end)


@pytest.fixture
def pipe() -> Iterator[tuple[int, int]]:
    """Return where a person writes, and where a program reads."""
    read, write = os.pipe()
    yield write, read
    os.close(read)


def heard(keys: Keys, count: int) -> list[str]:
    """Wait for so many answers."""
    answers: list[str] = []
    for _ in range(100):
        answers += keys.answers(0.1)
        if len(answers) >= count:
            break
    return answers


def test_each_key_of_a_terminal_counts_at_once(terminal: tuple[int, int]) -> None:
    person, program = terminal
    with Keys(program) as keys:
        os.write(person, b"Y\r\nx")
        assert heard(keys, 4) == ["y", "", "", "x"]


def test_arrows_and_function_keys_are_no_answers(terminal: tuple[int, int]) -> None:
    person, program = terminal
    with Keys(program) as keys:
        os.write(person, b"\x1b[A")
        assert keys.answers(1.0) == []
        os.write(person, b"q")
        assert heard(keys, 1) == ["q"]


def test_the_end_of_the_input_is_said_once(terminal: tuple[int, int]) -> None:
    person, program = terminal
    with Keys(program) as keys:
        os.write(person, b"\x04")
        assert heard(keys, 1) == [END]
        assert keys.answers(0.05) == []


def test_a_terminal_is_given_back_as_it_was_whatever_happens(terminal: tuple[int, int]) -> None:
    _, program = terminal
    before = termios.tcgetattr(program)

    def interrupted() -> None:
        with Keys(program):
            assert not termios.tcgetattr(program)[3] & termios.ECHO
            raise KeyboardInterrupt

    with pytest.raises(KeyboardInterrupt):
        interrupted()
    assert termios.tcgetattr(program) == before


def test_each_line_of_a_pipe_is_an_answer_and_its_end_too(pipe: tuple[int, int]) -> None:
    person, program = pipe
    with Keys(program) as keys:
        os.write(person, b"\n Y \nf")
        assert heard(keys, 2) == ["", "y"]
        os.close(person)
        assert heard(keys, 2) == ["f", END]
        assert keys.answers(0.05) == []


def test_waiting_for_an_answer_ends_when_it_comes(pipe: tuple[int, int]) -> None:
    person, program = pipe
    with Keys(program) as keys:
        typing = threading.Timer(0.1, os.write, (person, b"n\n"))
        typing.start()
        assert keys.answers(60.0) == ["n"]
        typing.join()
    os.close(person)
