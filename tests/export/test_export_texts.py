"""Texts that people wrote are harmless in a spreadsheet and whole everywhere else."""

from __future__ import annotations

import csv
from io import StringIO
from pathlib import Path

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from gateway.export.csvtext import STARTS_A_FORMULA, csv_text, dates
from gateway.export.table import Column, Slice, Table, ends_of
from gateway.record.journal import Entry, append
from gateway.record.store import open_store
from tests.export.kept import START, cells, column, exported, recorded
from tests.publish.made import transition

TYPED = [
    '=HYPERLINK("http://192.0.2.1/","look")', "+1+1", "-2+3", "@SUM(A1)", "\t=1", "\r=1", "\n=1",
    "\uff1d1+1", "plain, with comma", 'a "quoted" word', "two\nlines", "", "stair = fine", "'=1",
]  # fmt: skip
NAMES = Column("=time", "time"), Column("why", "text")


def written(texts: list[str]) -> list[list[str]]:
    table = Table(NAMES, lambda _: iter(()), ends_of("scans"))
    part = Slice((np.full(len(texts), START), texts))
    out = b"".join(csv_text(table, [part])).decode()
    return list(csv.reader(StringIO(out, newline=""), strict=True))


@given(st.lists(st.text(st.characters(exclude_categories=["Cs"], exclude_characters="\0"))))
def test_no_cell_begins_a_formula_and_nothing_is_lost(texts: list[str]) -> None:
    (_, *rows) = written(texts) if texts else [[]]
    for (_, cell), text in zip(rows, texts, strict=True):
        assert not cell.startswith(STARTS_A_FORMULA)
        assert cell == (f"'{text}" if text.startswith(STARTS_A_FORMULA) else text)


def test_headers_are_texts_too_and_numbers_are_not() -> None:
    assert written(["x"])[0] == ["'=time", "why"]
    table = Table((Column("p", "number"),), lambda _: iter(()), ends_of("scans"))
    (head, body) = csv_text(table, [Slice((np.array([-12.5, np.nan, 1e-9, 101325.04]),))])
    assert (head, body) == (b"p\n", b"-12.5\n\n1e-09\n101325\n")


def test_dates_are_those_of_the_standard_library() -> None:
    assert dates(np.array([0.0, START + 0.0006, 253_402_300_799.0])) == [
        "1970-01-01T00:00:00.000Z", "2026-05-28T20:30:00.001Z", "9999-12-31T23:59:59.000Z",
    ]  # fmt: skip


@pytest.mark.slow
def test_what_people_typed_into_the_journal(tmp_path: Path) -> None:
    here, _, _ = recorded(tmp_path)
    with open_store(tmp_path, here) as store:
        for k, text in enumerate(TYPED):
            time_ms = round((START + k) * 1000)
            entry = Entry(
                0, time_ms, "alarm", "p1", "zero-drift", "shelve", actor=text, reason=text
            )
            store.do(append, entry)
    found = cells(exported(tmp_path, here, "journal", "journal.csv"))
    assert (found[0]["kind"], found[0]["title"]) == ("finding", "Open circuit at p1")
    assert found[0]["evidence"] == '{"signal_mA": 0.02, "low_mA": null, "band": "failure low"}'
    reasons = column(found[1:], "reason")
    assert [text.removeprefix("'") for text in reasons] == [t.removeprefix("'") for t in TYPED]
    assert not any(cell.startswith(STARTS_A_FORMULA) for row in found for cell in row.values())


@pytest.mark.slow
def test_a_step_of_an_alarm_is_told_as_over_http_and_mqtt(tmp_path: Path) -> None:
    here, _, _ = recorded(tmp_path)
    with open_store(tmp_path, here) as store:
        store.write([], [transition(1)])
    raised, step = cells(exported(tmp_path, here, "journal", "journal.csv"))
    assert (step["id"], step["phase"], step["priority"]) == (
        "open-circuit:p1", "acknowledge", "medium",
    )  # fmt: skip
    assert (step["before"], step["after"]) == ("active unacknowledged", "active acknowledged")
    assert raised["id"].startswith("open-circuit:p1:")
    assert raised["before"] == raised["after"] == raised["priority"] == ""


@pytest.mark.slow
def test_a_loops_journal_has_what_touches_it(tmp_path: Path) -> None:
    here, _, _ = recorded(tmp_path)
    assert len(cells(exported(tmp_path, here, "journal", "stair.csv", loops=["stair"]))) == 1
    assert len(cells(exported(tmp_path, here, "journal", "lobby.csv", loops=["lobby"]))) == 0
    late = str(START + 1)
    assert len(cells(exported(tmp_path, here, "journal", "late.csv", start=late))) == 0
