"""Scans come back in fold order, each once, from any position, whatever was sealed in between."""

from collections.abc import Callable, Iterator
from contextlib import closing
from pathlib import Path

import numpy as np
import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st
from store_samples import HOUR_MS, WALL_MS, block, readings_of, series

from loggerd.errors import StoreError
from loggerd.model.scan import ScanBlock
from loggerd.store.hot import commits_in
from loggerd.store.record import Commit, Position, RecordReader, RecordWriter, ScanWindow

COMMIT_MS = 20 * 60_000


@pytest.fixture
def path(tmp_path: Path) -> Path:
    return tmp_path / "record.sqlite"


def scans_of(windows: Iterator[ScanWindow] | list[ScanWindow]) -> dict[tuple[int, str, int, int], tuple[int, int, int]]:
    return readings_of(one for window in windows for one in window.blocks)


def open_with_names(path: Path) -> RecordWriter:
    writer = RecordWriter.open(path)
    writer.register_series(
        [
            series("shunt", "amps"),
            series("shunt", "volts"),
            series("taps", "block_1_volts"),
            series("taps", "volts", bank="other"),
            series("taps", "block_2_volts"),
        ]
    )
    return writer


class Story:
    """Runs steps on a record and keeps what must come back: commits of two devices, seals, restarts."""

    def __init__(self, writer: RecordWriter) -> None:
        self.writer = writer
        self.blocks: list[ScanBlock] = []
        self.session = writer.begin_session("live", WALL_MS, 0, "")
        self.now = 0
        self.taps: tuple[int, ...] = (3, 4)

    def commit(self) -> None:
        times = np.arange(self.now, self.now + COMMIT_MS, 5 * 60_000)
        shunt = block("shunt", self.session, (1, 2), times + 3)
        taps = block("taps", self.session, self.taps, times + 700)
        self.writer.commit(Commit((shunt, taps)))
        self.blocks += [shunt, taps]
        self.now += COMMIT_MS

    def idle(self) -> None:
        self.now += 7 * COMMIT_MS

    def change(self) -> None:
        self.taps = (3, 4, 5) if self.taps == (3, 4) else (3, 4)

    def seal(self) -> None:
        self.writer.seal(self.session, self.now)

    def restart(self) -> None:
        self.session = self.writer.begin_session("live", WALL_MS, 0, "")
        self.now = 0
        self.writer.seal_ended(self.session)

    def late(self) -> None:
        """Scans for an hour that may have been sealed already, at instants that nobody has used."""
        start = max(self.now - 2 * COMMIT_MS, 0) + 90_000
        if any(b.boot == self.session and b.device == "shunt" and start in b.mono_ms for b in self.blocks):
            return
        piece = block("shunt", self.session, (1, 2), [start])
        self.writer.commit(Commit((piece,)))
        self.blocks.append(piece)


STEPS: dict[str, Callable[[Story], None]] = {
    "commit": Story.commit,
    "idle": Story.idle,
    "change": Story.change,
    "seal": Story.seal,
    "restart": Story.restart,
    "late": Story.late,
}


@settings(max_examples=25, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(st.lists(st.sampled_from([*STEPS, "commit", "commit"]), min_size=1, max_size=25), st.data())
def test_windows_give_exactly_the_scans_after_any_position(
    tmp_path_factory: pytest.TempPathFactory, steps: list[str], data: st.DataObject
) -> None:
    path = tmp_path_factory.mktemp("story") / "record.sqlite"
    with closing(open_with_names(path)) as writer:
        story = Story(writer)
        for step in steps:
            STEPS[step](story)
        expected = {key: value for key, value in readings_of(story.blocks).items() if key[3] != 4}
        with closing(RecordReader.open(path)) as reader:
            windows = list(reader.windows("house", None))
            assert scans_of(windows) == expected
            _in_order(windows)
            places = sorted({(key[0], key[2]) for key in expected})
            for session, mono in data.draw(st.lists(st.sampled_from(places), max_size=4)) if places else []:
                later = {key: value for key, value in expected.items() if (key[0], key[2]) > (session, mono)}
                assert scans_of(reader.windows("house", Position(session, mono))) == later


def _in_order(windows: list[ScanWindow]) -> None:
    last = (-1, -1)
    for window in windows:
        stamps = np.concatenate([one.mono_ms for one in window.blocks])
        assert (window.session, int(stamps.min())) > last
        assert int(stamps.max()) == window.until_mono_ms or window.until_mono_ms > int(stamps.max())
        assert all(np.all(np.diff(one.mono_ms) > 0) for one in window.blocks)
        assert len({int(s) // HOUR_MS for s in stamps}) == 1
        last = (window.session, window.until_mono_ms)


def test_windows_go_on_while_the_writer_seals_and_commits(path: Path) -> None:
    """A slow reader of the newest hour gets each scan once, however the rows move under it."""
    with closing(open_with_names(path)) as writer, closing(RecordReader.open(path)) as reader:
        story = Story(writer)
        for _ in range(4):
            story.commit()
        found = []
        for number, window in enumerate(reader.windows("house", None)):
            found.append(window)
            if number < 5:
                story.commit()
                story.seal()
        rest = reader.windows("house", Position(found[-1].session, found[-1].until_mono_ms))
        found += list(rest)
        assert scans_of(found) == {k: v for k, v in readings_of(story.blocks).items() if k[3] != 4}


def test_only_scans_in_the_time_asked_for(path: Path) -> None:
    with closing(open_with_names(path)) as writer, closing(RecordReader.open(path)) as reader:
        story = Story(writer)
        for _ in range(10):
            story.commit()
        story.seal()
        start, stop = WALL_MS + 50 * 60_000, WALL_MS + 3 * HOUR_MS + 5 * 60_000
        found = scans_of(reader.windows("house", None, from_ms=start, until_ms=stop))
        expected = {
            key: value
            for key, value in readings_of(story.blocks).items()
            if key[3] != 4 and start <= WALL_MS + key[2] < stop
        }
        assert found == expected
        middle = Position(story.session, 2 * HOUR_MS + 17 * 60_000)
        after = scans_of(reader.windows("house", middle, from_ms=start, until_ms=stop))
        assert after == {key: value for key, value in expected.items() if key[2] > middle.mono_ms}


def test_imports_come_first_by_their_first_reading(path: Path) -> None:
    with closing(open_with_names(path)) as writer, closing(RecordReader.open(path)) as reader:
        live = writer.begin_session("live", WALL_MS, 0, "")
        writer.commit(Commit((block("shunt", live, (1, 2), [5, 1005]),)))
        order = []
        for days_ago in (3, 9, 5):
            session = writer.begin_session("import", WALL_MS, 0, f"{days_ago} days ago")
            piece = block("shunt", session, (1, 2), [0, 1000], offset_ms=WALL_MS - days_ago * 86_400_000)
            writer.import_blocks(session, [piece])
            order.append(session)
        expected = [order[1], order[2], order[0], live]
        assert [window.session for window in reader.windows("house", None)] == expected
        assert [session.id for session in reader.sessions()] == expected
        assert [session.fold_order for session in reader.sessions()] == [0, 1, 2, 3]


def spoil_hot_commits(writer: RecordWriter) -> None:
    """Change a byte in the readings of every hot commit."""
    for chunk, session, window, payload in writer._connection.execute(
        "SELECT id, session, window, payload FROM hot"
    ).fetchall():
        spoilt = bytearray(payload)
        for commit in commits_in(session, window, payload):
            spoilt[payload.index(commit.payload) + 20] ^= 0x10
        writer._connection.execute("UPDATE hot SET payload = ? WHERE id = ?", (bytes(spoilt), chunk))


def test_damaged_blocks_are_left_out_and_named(path: Path) -> None:
    with closing(open_with_names(path)) as writer, closing(RecordReader.open(path)) as reader:
        story = Story(writer)
        for _ in range(8):
            story.commit()
        story.seal()
        writer._connection.execute(
            "UPDATE sealed SET payload = zeroblob(length(payload)) WHERE window = 1 AND device = 1"
        )
        spoil_hot_commits(writer)
        windows = list(reader.windows("house", None))
        damaged = [one for window in windows for one in window.damaged]
        assert [(one.device, one.first_mono_ms // HOUR_MS) for one in damaged] == [("shunt", 1), ("", 2), ("", 2)]
        assert scans_of(windows) == {
            key: value
            for key, value in readings_of(story.blocks).items()
            if key[3] != 4 and (key[2] < HOUR_MS or (key[2] < 2 * HOUR_MS and key[1] == "taps"))
        }
        story.now += HOUR_MS
        story.seal()
        assert [(event.kind, event.subject) for event in reader.events()] == [("damaged", "record")] * 2


def test_position_in_an_unknown_session_is_an_error(path: Path) -> None:
    with (
        closing(open_with_names(path)),
        closing(RecordReader.open(path)) as reader,
        pytest.raises(StoreError, match="session 99"),
    ):
        list(reader.windows("house", Position(99, 0)))


def test_sessions_know_their_last_reading_hot_or_sealed(path: Path) -> None:
    with closing(open_with_names(path)) as writer, closing(RecordReader.open(path)) as reader:
        assert reader.sessions() == []
        story = Story(writer)
        assert reader.sessions()[0].last_mono_ms is None
        for _ in range(3):
            story.commit()
        last = COMMIT_MS * 3 - 300_000 + 700
        for _ in range(2):
            (session,) = reader.sessions()
            assert (session.last_mono_ms, session.last_wall_minus_mono_ms, session.last_clock) == (last, WALL_MS, 0)
            assert session.first_wall_ms == WALL_MS + 3
            assert writer.last_mono_ms(session.id) == last
            story.seal()
