"""What goes into the store comes out of it, bit by bit; files that cannot be used say so."""

from __future__ import annotations

import sqlite3
import struct
import tempfile
from pathlib import Path

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from gateway.errors import StoreError
from gateway.measure.blocks import Block
from gateway.measure.measure import Measure
from gateway.record import cursors, history, opening, rollup, schema
from gateway.record.store import Store, open_store
from gateway.record.trends import trend
from tests.record.made import START, finding, plant, rows

HERE = plant()
POINTS = Measure(HERE).columns.points.refs


def stored(store: Store, points: tuple[str, ...] = POINTS, per_block: int = 1000) -> list[Block]:
    with history.reader(store.file) as reader:
        return list(history.raw_blocks(reader, 0, 1e11, per_block, points=points))


@given(
    bits=st.lists(st.integers(0, 2**64 - 1), min_size=len(POINTS), max_size=3 * len(POINTS)),
    codes=st.binary(min_size=3 * len(POINTS), max_size=3 * len(POINTS)),
    offsets=st.lists(
        st.floats(0, 1e9, allow_nan=False), min_size=3, max_size=3, unique_by=lambda t: round(t, 2)
    ),
    per_block=st.integers(1, 4),
)
@settings(max_examples=15, deadline=None)
def test_block_comes_out_as_it_went_in(
    bits: list[int], codes: bytes, offsets: list[float], per_block: int
) -> None:
    """Any 64 bits are a value, NaN with a payload included; times keep every bit."""
    n = len(bits) // len(POINTS)
    raw = struct.pack(f"<{n * len(POINTS)}Q", *bits[: n * len(POINTS)])
    values = np.frombuffer(raw, dtype="<f8").reshape(n, -1)
    reasons = np.frombuffer(codes[: n * len(POINTS)], dtype=np.uint8).reshape(n, -1)
    block = Block(START + np.sort(np.array(offsets[:n])), values, reasons)
    means = rows(HERE, n)[1]
    with tempfile.TemporaryDirectory() as folder, open_store(Path(folder), HERE) as store:
        store.write([(block, means)])
        back = stored(store, per_block=per_block)
    assert all(len(part) <= per_block for part in back)
    assert b"".join(part.values.tobytes() for part in back) == raw
    assert b"".join(part.reasons.tobytes() for part in back) == reasons.tobytes()
    assert b"".join(part.time.tobytes() for part in back) == block.time.tobytes()


def test_every_connection_keeps_few_pages(tmp_path: Path) -> None:
    # PRAGMA cache_size: negative numbers are KiB (SQLite's documentation).
    def kept(connection: sqlite3.Connection) -> int:
        return int(connection.execute("PRAGMA cache_size").fetchone()[0])

    with open_store(tmp_path, HERE) as store, history.reader(store.file) as reader:
        assert [store.do(kept), kept(reader)] == [-opening.CACHE_KIB] * 2


def test_replay_of_the_record_gives_the_same_readings(tmp_path: Path) -> None:
    """Block -> store -> block -> readings equals block -> readings."""
    block, means = rows(HERE, 200)
    with open_store(tmp_path, HERE) as store:
        store.write([(block, means)])
        (back,) = stored(store)
    again = Measure(HERE).examine(back)
    for name, value in vars(means).items():
        np.testing.assert_array_equal(value, getattr(again, name), err_msg=name)


def test_rows_of_an_older_site_file_stay_readable(tmp_path: Path) -> None:
    new = plant(third=True)
    block, means = rows(HERE, 3)
    later, later_means = rows(new, 3, start=START + 10, seed=1)
    with open_store(tmp_path, HERE) as store:
        store.write([(block, means)])
    with open_store(tmp_path, new) as store:
        store.write([(later, later_means)])
        (both,) = stored(store, (*POINTS, "b.new"))
        with history.reader(store.file) as reader:
            old_only = trend(reader, "transducer/p1", START, START + 13)
            new_only = trend(reader, "transducer/p3", START, START + 13)
            first = history.rows_after(reader, 0, 100)
    np.testing.assert_array_equal(both.values[:3, :-1], block.values)
    assert np.isnan(both.values[:, -1]).all(), "a point that was never recorded"
    assert (
        old_only.count.sum()
        == np.isfinite([*means.pressure[:, 0], *later_means.pressure[:, 0]]).sum()
    )
    assert len(new_only.time) == 3
    assert first is not None
    assert len(first) == 3, "rows of one layout at a time"


def test_same_site_file_same_layout(tmp_path: Path) -> None:
    for _ in range(3):
        with open_store(tmp_path, HERE) as store:
            layouts = store.do(lambda c: c.execute("SELECT count(*) FROM layouts").fetchone())
    assert layouts == (1,)


def test_nothing_is_written_over(tmp_path: Path) -> None:
    """Rows of a clock that was far back at the start come to lie among those that are there."""
    there, among = rows(HERE, 20), rows(HERE, 10, start=START + 5, seed=5)
    with open_store(tmp_path, HERE) as store:
        store.write([there])
    with open_store(tmp_path, HERE) as store:
        for k in range(10):
            part = among[0].rows(k, k + 1)
            store.write([(part, Measure(HERE).examine(part))])
        store.write([rows(HERE, 1, start=START + 14), rows(HERE, 1, start=START + 14)])
        (back,) = stored(store)
        (means,) = store.do(lambda c: c.execute("SELECT count(*) FROM readings").fetchone())
    assert len(back) == means == 32
    assert (np.diff(back.time) > 0).all()
    late = np.isin(np.round((back.time - START) % 1, 3), [0.001])
    assert late.sum() == 10
    np.testing.assert_array_equal(back.values[late], among[0].values)
    np.testing.assert_allclose(back.time[late], among[0].time + 0.001)
    first = back.time == np.round(back.time)
    np.testing.assert_array_equal(back.values[first], there[0].values)
    crowd = np.round(back.time - START - 14, 3)
    assert crowd[(crowd >= 0) & (crowd < 0.5)].tolist() == [0.0, 0.001, 0.002, 0.003]


def test_block_of_another_site_is_refused(tmp_path: Path) -> None:
    block, means = rows(HERE, 1)
    short = Block(block.time, block.values[:, :2], block.reasons[:, :2])
    with open_store(tmp_path, HERE) as store, pytest.raises(ValueError, match="block of 2 points"):
        store.write([(short, means)])


def test_clock_stepping_back_takes_cursors_back(tmp_path: Path) -> None:
    """Rows behind a receiver's cursor would else never reach it."""
    with open_store(tmp_path, HERE) as store:
        store.write([rows(HERE, 10)])
        store.do(cursors.put, "influx", round((START + 9) * 1000))
        store.write([rows(HERE, 2, start=START + 10)])
        assert store.do(cursors.get, "influx") == round((START + 9) * 1000)
        store.write([rows(HERE, 3, start=START + 4.5)])
        assert store.do(cursors.get, "influx") == round((START + 4.5) * 1000) - 1


def test_clock_stepping_back_rolls_the_hours_again(tmp_path: Path) -> None:
    with open_store(tmp_path, HERE) as store:
        store.write([rows(HERE, 400, step=20)])
        before = store.do(rollup.rolled_to)
        store.write([rows(HERE, 2, start=START + 30, step=3000, seed=9)])
        after = store.do(rollup.rolled_to)
    assert before is not None
    assert after is not None
    assert after < before


def test_folder_that_is_a_file(tmp_path: Path) -> None:
    place = tmp_path / "history"
    place.write_text("x")
    with pytest.raises(StoreError, match="not a folder"), open_store(place, HERE):
        pass
    with pytest.raises(StoreError, match="not a folder"), open_store(place / "below", HERE):
        pass


def test_folder_without_permission(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    def refuse(*_: object, **__: object) -> None:
        raise PermissionError(13, "Permission denied")

    monkeypatch.setattr(Path, "mkdir", refuse)
    with pytest.raises(StoreError, match="Permission denied; allowed"), open_store(tmp_path, HERE):
        pass


def test_second_writer(tmp_path: Path) -> None:
    with (
        open_store(tmp_path, HERE),
        pytest.raises(StoreError, match="another process writes here"),
        open_store(tmp_path, HERE),
    ):
        pass
    with open_store(tmp_path, HERE):
        pass


def test_newer_schema(tmp_path: Path) -> None:
    with open_store(tmp_path, HERE) as store:
        file = store.file
    with sqlite3.connect(file) as connection:
        connection.execute("PRAGMA user_version = 99")
    connection.close()
    refused = pytest.raises(StoreError, match=r"schema version 99.*up to \d")
    with refused, open_store(tmp_path, HERE):
        pass
    assert file.exists()


def test_database_of_another_program(tmp_path: Path) -> None:
    with sqlite3.connect(tmp_path / opening.FILE) as connection:
        connection.execute("CREATE TABLE theirs (x)")
    connection.close()
    with pytest.raises(StoreError, match="another program"), open_store(tmp_path, HERE):
        pass


def test_upgrade_runs_only_the_missing_steps(monkeypatch: pytest.MonkeyPatch) -> None:
    connection = sqlite3.connect(":memory:", isolation_level=None)
    schema.upgrade(connection, "memory")
    added = (*schema.MIGRATIONS, ("ALTER TABLE poison ADD COLUMN seen INTEGER",))
    monkeypatch.setattr(schema, "MIGRATIONS", added)
    schema.upgrade(connection, "memory")
    schema.upgrade(connection, "memory")
    assert connection.execute("PRAGMA user_version").fetchone() == (len(added),)
    assert "seen" in [row[1] for row in connection.execute("PRAGMA table_info(poison)")]
    connection.close()


@pytest.mark.parametrize("content", [b"not a database at all" * 500, "damaged"])
def test_damaged_file_is_kept_aside(tmp_path: Path, content: bytes | str) -> None:
    with open_store(tmp_path, HERE) as store:
        store.write([rows(HERE, 300)])
        file = store.file
    whole = file.read_bytes()
    broken = content if isinstance(content, bytes) else whole[:100] + b"\xff" * (len(whole) - 100)
    file.write_bytes(broken)
    with open_store(tmp_path, HERE) as store:
        store.write([rows(HERE, 5)])
        assert sum(len(part) for part in stored(store)) == 5
    (kept,) = tmp_path.glob("history-damaged-*.sqlite3")
    assert kept.read_bytes() == broken


def test_damage_met_while_writing_is_set_aside_at_the_next_start(tmp_path: Path) -> None:
    def meet(_: sqlite3.Connection) -> None:
        error = sqlite3.DatabaseError("database disk image is malformed")
        error.sqlite_errorcode = sqlite3.SQLITE_CORRUPT
        raise error

    with open_store(tmp_path, HERE) as store, pytest.raises(StoreError, match="malformed"):
        store.do(meet)
    with open_store(tmp_path, HERE) as store:
        assert stored(store) == []
    assert len(list(tmp_path.glob("history-damaged-*.sqlite3"))) == 1
    with open_store(tmp_path, HERE):
        pass
    assert len(list(tmp_path.glob("history-damaged-*.sqlite3"))) == 1


def test_failed_transaction_leaves_nothing(tmp_path: Path) -> None:
    """Rows, journal and outbox are one transaction: a full disk keeps all or nothing."""
    with open_store(tmp_path, HERE) as store:
        connection = store._connection
        assert connection
        (pages,) = connection.execute("PRAGMA page_count").fetchone()
        connection.execute(f"PRAGMA max_page_count = {pages}")
        with pytest.raises(StoreError, match="full"):
            store.write([rows(HERE, 2000)], [finding()])
        for table in ("scans", "readings", "journal", "outbox"):
            question = f"SELECT count(*) FROM {table}"  # noqa: S608 - own names
            assert connection.execute(question).fetchone() == (0,)
        connection.execute("PRAGMA max_page_count = 1000000")
        store.write([rows(HERE, 2000)], [finding()])


def test_lock_of_another_program(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """A backup tool that holds the file delays a write, then it is refused; nothing is lost."""
    monkeypatch.setattr(opening, "BUSY_S", 0.05)
    with open_store(tmp_path, HERE) as store:
        other = sqlite3.connect(store.file, isolation_level=None)
        other.execute("BEGIN IMMEDIATE")
        with pytest.raises(StoreError, match="locked"):
            store.write([rows(HERE, 1)])
        other.execute("ROLLBACK")
        other.close()
        store.write([rows(HERE, 1)])
        assert len(stored(store)) == 1


def test_file_in_a_folder_that_takes_nothing(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """A stopped gateway's, for another user: SQLite needs a file beside it, even to read."""
    with open_store(tmp_path, HERE) as store:
        store.write([rows(HERE, 3)])
    opened = sqlite3.connect
    monkeypatch.setattr(sqlite3, "connect", lambda name, **kw: Denied(opened(name, **kw)))
    with (
        pytest.raises(StoreError, match=r"sqlite3: this user cannot read it here; allowed: the u"),
        history.reader(tmp_path / opening.FILE),
    ):
        pass


class Denied:
    """A connection to a file beside which nothing can be made; root may everywhere."""

    def __init__(self, connection: sqlite3.Connection) -> None:
        self.close = connection.close

    def execute(self, _words: str) -> None:
        error = sqlite3.OperationalError("attempt to write a readonly database")
        error.sqlite_errorcode = sqlite3.SQLITE_READONLY
        raise error


def test_reader_cannot_write(tmp_path: Path) -> None:
    with (
        open_store(tmp_path, HERE) as store,
        history.reader(store.file) as reader,
        pytest.raises(sqlite3.OperationalError, match="readonly"),
    ):
        reader.execute("DELETE FROM scans")
