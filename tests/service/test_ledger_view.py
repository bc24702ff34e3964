"""A look at the ledger is of one moment, whatever the service stores meanwhile."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

import store_load

from loggerd.ledger_view import _stored
from loggerd.store.record import RecordReader, RecordWriter, StoredEntry


class InterruptedReader(RecordReader):
    """A reader that the service gets ahead of while it reads."""

    meanwhile: Callable[[], None]

    def entries(self, *words: Any, **more: Any) -> Iterator[StoredEntry]:
        yield from super().entries(*words, **more)
        self.meanwhile()


def test_entries_and_state_belong_together_while_the_service_commits(tmp_path: Path) -> None:
    path = tmp_path / "record.sqlite"
    writer = RecordWriter.open(path)
    store_load.prepare(writer)
    commits = 0

    def commit() -> None:
        nonlocal commits
        writer.commit(store_load.commit_of(commits))
        commits += 1

    for _ in range(3):
        commit()
    reader = RecordReader.open(path)
    reader.__class__ = InterruptedReader
    reader.meanwhile = commit  # type: ignore[attr-defined]
    for _ in range(5):
        known = commits
        stored = _stored(reader, "house", (None, None), None)
        assert commits > known
        assert len(stored.entries) == len(stored.marks) == known
        last = store_load.commit_of(known - 1).results[0]
        assert stored.checkpoint == (last.position, last.state)
    reader.close()
    writer.close()
