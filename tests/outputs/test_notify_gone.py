"""That a low alarm has gone which somebody has seen to makes no mail; every other end is told."""

from __future__ import annotations

from pathlib import Path

import pytest
from hand_recording import HandClock
from outbox_bench import Bench, keeper, key

from loggerd.model.outbox import ItemKind, Lane
from loggerd.outputs.notify import Receiver

HOOK = Receiver(Lane.WEBHOOK, "webhook", "http://127.0.0.1:1/")


def told(one: Bench, lane: Lane) -> list[str]:
    items = [item for item in one.outbox(lane).items if item.kind is ItemKind.CHANGE]
    return [item.change.event.value for item in items if item.change is not None]


@pytest.mark.parametrize(
    ("condition", "acknowledged", "mailed"),
    [
        ("water", True, ["raised"]),
        ("water", False, ["raised", "cleared"]),
        ("spread", True, ["raised", "cleared"]),
        ("short", True, ["raised", "cleared"]),
    ],
)
def test_the_end_of_a_low_alarm_that_was_seen_to_is_told_to_programs_only(
    tmp_path: Path, condition: str, acknowledged: bool, mailed: list[str]
) -> None:
    one = Bench(tmp_path / "record.sqlite", (keeper("anna"), HOOK), HandClock())
    one.look(key(condition))
    if acknowledged:
        one.acknowledge(key(condition))
    one.look(ends=(key(condition),))
    assert told(one, Lane.MAIL) == mailed
    seen_to = ["acknowledged"] if acknowledged else []
    assert told(one, Lane.WEBHOOK) == ["raised", *seen_to, "cleared"]
    one.close()
