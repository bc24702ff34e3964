"""Whatever a file of settings holds, the answer is settings or a SettingsError; never anything else."""

from __future__ import annotations

from pathlib import Path

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from loggerd.errors import SettingsError
from loggerd.plans import limits_of
from loggerd.settings.domain import banks, series_of
from loggerd.settings.fingerprint import bank_fingerprint
from loggerd.settings.load import load_settings
from loggerd.settings.models import SiteSettings
from loggerd.settings.shipped import shipped_path
from loggerd.settings.summary import summary_lines

FULL = (Path(__file__).parent / "full_site.toml").read_text(encoding="utf-8")
TEXTS = [FULL, *(path.read_text(encoding="utf-8") for path in sorted(shipped_path("limits").parent.glob("*.toml")))]
MAP = shipped_path("devices/example-shunt-monitor.toml").read_text(encoding="utf-8")
NASTY = [
    "nan",
    "-inf",
    "1e308",
    "-1e308",
    "5e-324",
    "0",
    "-0.0",
    "true",
    "[]",
    "{}",
    "[[]]",
    "[{}]",
    '""',
    '"\\u0000"',
    '"é"',
    "9223372036854775808",
    "-170141183460469231731687303715884105728",
    "9" * 4000,
    "0x" + "f" * 5000,
    '"' + "x" * 5000 + '"',
    "0001-01-01T00:00:00+23:59",
    "9999-12-31T23:59:59.999999Z",
    "2026-05-01",
    "07:30:00",
    "2026-05-01T00:00:00",
    "[1, 2, 3]",
    "[nan, inf]",
    "[5e-324, 1e9]",
    '["a", 1, []]',
    "{ a = { b = { c = [1] } } }",
    '"../../../etc/hostname"',
    '"(?P<u>(a*)*)"',
    '"(?P<u>"',
    '"(?i)x(?-i)"',
    "'''\n\n'''",
    '"Europe"',
    '"/etc/localtime"',
    '"../UTC"',
    '"\\uD7FF"',
    "[" * 60 + "]" * 60,
    '"http://[::1"',
    '"http://x:99999"',
    '"sunspec"',
    '"csv"',
    '"serial_lines"',
    '"modbus_rtu"',
    '"mV"',
]
KEYS = [
    "bank",
    "device",
    "channel",
    "connection",
    "kind",
    "map",
    "leave_out",
    "lines",
    "correction",
    "limit",
    "shunt",
    "name",
    "x",
]


@st.composite
def mutated(draw: st.DrawFn, original: str) -> str:
    lines = original.split("\n")
    for _ in range(draw(st.integers(1, 4))):
        at = draw(st.integers(0, len(lines) - 1))
        key, equals, value = lines[at].partition(" = ")
        kind = draw(st.sampled_from(["value", "value", "value", "key", "delete", "repeat", "swap", "cut", "insert"]))
        if kind == "value" and equals:
            lines[at] = f"{key} = {draw(st.sampled_from(NASTY))}"
        elif kind == "key":
            new = draw(st.sampled_from(KEYS))
            lines[at] = f"{new} = {value}" if equals else f"[[{new}]]"
        elif kind == "delete":
            del lines[at : at + draw(st.integers(1, 5))]
            lines = lines or [""]
        elif kind == "repeat":
            lines[at:at] = lines[at : at + draw(st.integers(1, 8))]
        elif kind == "swap":
            other = draw(st.integers(0, len(lines) - 1))
            lines[at], lines[other] = lines[other], lines[at]
        elif kind == "cut":
            lines[at] = lines[at][: draw(st.integers(0, len(lines[at])))]
        else:
            where = draw(st.integers(0, len(lines[at])))
            letters = draw(st.text(st.sampled_from("[]{}=\"'#.,\\\t\r\0é١0-_:"), min_size=1, max_size=4))
            lines[at] = lines[at][:where] + letters + lines[at][where:]
    return "\n".join(lines)


def loaded(path: Path) -> SiteSettings | None:
    try:
        return load_settings(path)
    except SettingsError as error:
        assert error.faults
        for fault in error.faults:
            assert fault.where
            assert fault.found
            assert fault.expected
            assert "\n" not in str(fault)
        return None


def used(settings: SiteSettings) -> None:
    """What is accepted can be used: nothing that is worked out from it fails."""
    rows = series_of(settings)
    for bank in banks(settings):
        assert len(bank_fingerprint(settings, bank.name)) == 64
    assert all(limits_of(table) for table in settings.banks)
    for row in rows.values():
        for series in row:
            assert all(low < high for low, high in (scale.valid for scale in series.scales))
            assert all(0 < abs(scale.factor) < float("inf") for scale in series.scales)
    assert list(summary_lines(settings))


@pytest.fixture(scope="module")
def folder(tmp_path_factory: pytest.TempPathFactory) -> Path:
    return tmp_path_factory.mktemp("fuzz")


@settings(max_examples=2500, deadline=None, suppress_health_check=list(HealthCheck))
@given(text=st.sampled_from(TEXTS).flatmap(mutated))
def test_mutated_settings_never_crash(folder: Path, text: str) -> None:
    path = folder / "site.toml"
    path.write_bytes(text.encode("utf-8", "surrogatepass"))

    read = loaded(path)

    if read is not None:
        used(read)


@settings(max_examples=300, deadline=None, suppress_health_check=list(HealthCheck))
@given(text=mutated(MAP))
def test_mutated_maps_never_crash(folder: Path, text: str) -> None:
    (folder / "own.toml").write_bytes(text.encode("utf-8", "surrogatepass"))
    path = folder / "with_map.toml"
    path.write_text(FULL.replace("devices/example-tap-logger.toml", "own.toml"), encoding="utf-8")

    read = loaded(path)

    if read is not None:
        used(read)


@settings(max_examples=300, deadline=None)
@given(data=st.binary(max_size=200))
def test_bytes_never_crash(tmp_path_factory: pytest.TempPathFactory, data: bytes) -> None:
    path = tmp_path_factory.getbasetemp() / "bytes.toml"
    path.write_bytes(data)

    assert loaded(path) is None
