"""Pages of plain text that keep within 80 columns."""

import io

import pytest

from emulator.show.layout import WIDE, Page, clean, columns, fit


class Terminal(io.StringIO):
    def isatty(self) -> bool:
        return True


def a_page() -> Page:
    page = Page()
    page.say("The night fits.", "good")
    page.table([["a", "1"], ["b", "2"]], right=[1], roles=["", "bad"])
    return page


def test_plain_text_has_no_roles() -> None:
    assert a_page().as_text() == "The night fits.\n  a  1\n  b  2\n"


def test_a_file_that_is_no_terminal_gets_plain_text() -> None:
    file = io.StringIO()
    a_page().write(file)
    assert file.getvalue() == a_page().as_text()


def test_a_terminal_gets_the_colours_and_the_same_text(monkeypatch: pytest.MonkeyPatch) -> None:
    """0, 158, 115 is bluish green and 213, 94, 0 vermilion (Okabe and Ito, Color Universal Design, 2008)."""
    monkeypatch.delenv("NO_COLOR", raising=False)
    monkeypatch.setenv("TERM", "xterm-256color")
    monkeypatch.setenv("COLORTERM", "truecolor")
    file = Terminal()
    a_page().write(file)
    assert file.getvalue() == (
        "\x1b[38;2;0;158;115mThe night fits.\x1b[0m\n  a  1\n  b  \x1b[1;38;2;213;94;0m2\x1b[0m\n"
    )


def test_no_color_leaves_no_colour(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("NO_COLOR", "1")
    monkeypatch.setenv("TERM", "xterm-256color")
    file = Terminal()
    a_page().write(file)
    assert "\x1b[38" not in file.getvalue()
    assert "The night fits." in file.getvalue()


def test_a_paragraph_breaks_at_blanks_and_hangs() -> None:
    page = Page()
    page.say("word " * 20, indent=2, hanging=4)
    assert page.as_text() == "  " + " ".join(["word"] * 15) + "\n    " + " ".join(["word"] * 5) + "\n"


def test_a_word_longer_than_a_line_is_broken() -> None:
    page = Page()
    page.say("x" * 100 + " y", indent=2)
    assert page.as_text() == "  " + "x" * 78 + "\n  " + "x" * 22 + " y\n"


def test_nothing_to_say_is_an_empty_line() -> None:
    page = Page()
    page.say("")
    page.blank()
    assert page.as_text() == "\n\n"


def test_the_first_column_of_a_table_wraps() -> None:
    page = Page()
    page.table([["must hold " * 10, "found", "missed"], ["short", "1", "met"]])
    assert page.as_text() == (
        "  must hold must hold must hold must hold must hold must hold      found  missed\n"
        "    must hold must hold must hold must hold\n"
        "  short                                                            1      met\n"
    )


def test_what_fits_nowhere_is_cut_with_three_dots() -> None:
    page = Page()
    page.table([["name", "x" * 100]])
    [line] = page.as_text().splitlines()
    assert (len(line), line[-4:]) == (80, "x...")


def test_an_empty_last_cell_leaves_no_blanks_behind() -> None:
    page = Page()
    page.table([["name", ""], ["n", "x"]])
    page.table([["alone"]])
    assert page.as_text() == "  name\n  n     x\n  alone\n"


def test_what_a_terminal_would_obey_is_taken_out() -> None:
    assert clean("a\x1b[31mb\nc\td\x00") == "a?[31mb c d?"
    assert clean("Sternwarte\u00a0Süd") == "Sternwarte Süd"


def test_wide_and_combining_characters_count_as_they_show() -> None:
    assert [columns(text) for text in ("dome", "\u5929\u6587\u53f0", "e\u0301", "Süd")] == [4, 6, 1, 3]
    page = Page()
    page.say("\u5929" * 50)
    assert [columns(line) for line in page.as_text().splitlines()] == [80, 20]
    assert fit("\u5929" * 5, 8) == "\u5929\u5929..."
    assert fit("short", 8) == "short"


def test_a_command_goes_on_after_a_backslash_and_never_within_quotes() -> None:
    """Joined as a shell joins them, the lines are the command; the quoted name stays whole."""
    page = Page()
    command = "queuedrill run scenarios/retry-storm.yaml --variant 'an allowance that waits' --seed 14 --quiet"
    page.command(command)
    assert page.as_text() == (
        "  queuedrill run scenarios/retry-storm.yaml \\\n    --variant 'an allowance that waits' --seed 14 --quiet\n"
    )
    page = Page()
    page.command("""run 'it'"'"'s   one' """ + "--seed " + "1" * 70)
    assert page.as_text() == """  run 'it'"'"'s   one' \\\n    --seed """ + "1" * 70 + "\n"


def test_an_item_hangs_behind_its_label() -> None:
    """The text begins in the stated column; a label that is too long pushes its first line only."""
    page = Page()
    page.item("jobs", "word " * 14, at=15)
    page.item("a label as long", "word", at=15)
    assert page.as_text() == (
        "  jobs         " + " ".join(["word"] * 13) + "\n" + " " * 15 + "word\n" + "  a label as long  word\n"
    )


def test_a_number_stays_with_its_unit() -> None:
    """A line may end before or after a time, not within it."""
    page = Page()
    page.say("x" * 73 + " after 15 s.")
    assert page.as_text() == "x" * 73 + " after\n15 s.\n"


def test_a_wide_page_has_wide_tables_and_narrow_sentences() -> None:
    """Of 100 characters in a cell a page of 120 columns shows all, while a sentence keeps within 80."""
    page = Page(width=WIDE)
    page.table([["a", "x" * 100]])
    page.say("word " * 20)
    page.more("--all", "--json")
    assert page.as_text().split("\n")[:3] == ["  a  " + "x" * 100, " ".join(["word"] * 16), " ".join(["word"] * 4)]
    assert page.as_text().endswith("\n\nMore: --all   --json\n")
