from __future__ import annotations

import struct
from functools import reduce

import numpy as np
import pytest

from simulators.instruments.crc import crc16, with_crc
from simulators.instruments.instrument import Instrument, Mount, Point
from simulators.instruments.line_printer import LinePrinter
from simulators.instruments.shunt_monitor import Shunt, ShuntMonitor
from simulators.instruments.sunspec_battery import SunSpecBattery
from simulators.instruments.tap_logger import TapLogger
from simulators.truth import Truth


def make_truth(rows: int = 1) -> Truth:
    truth = Truth.empty(rows, 1, 8)
    truth.seconds[:] = np.arange(rows)
    truth.volts[:] = 50.4
    truth.amps[:] = -12.5
    truth.net_amp_hours[:] = -123.456
    truth.ambient_celsius[:] = -7.5
    truth.string_amps[:] = -12.5
    truth.block_volts[:] = 6.0 + np.arange(8) / 10.0
    truth.block_celsius[:] = 20.0 - 5.0 * np.arange(8)
    return truth


def make_exact(instrument: Instrument) -> None:
    """Take the instrument's own errors away, so that values are known to the last count."""
    instrument._gains[:] = 1.0
    instrument._offsets[:] = 0.0
    instrument._noise[:] = 0.0


def test_crc_gives_published_values() -> None:
    # Check value of CRC-16/MODBUS, and a frame known from many descriptions of the protocol.
    assert crc16(b"123456789") == 0x4B37
    assert with_crc(bytes.fromhex("01030000000A")) == bytes.fromhex("01030000000AC5CD")


def test_shunt_monitor_registers() -> None:
    shunt = ShuntMonitor(Mount("shunt", "house"), rated_volts=48.0, measures_air=True)
    make_exact(shunt)
    assert shunt.first == 100
    assert shunt.registers(make_truth()) == [
        5040,
        *struct.unpack(">HH", struct.pack(">i", -12500)),
        0,
        0x10000 - 75,
        *struct.unpack(">HH", struct.pack(">i", -12346)),
    ]


def test_shunt_monitor_in_millivolts_counts_the_drop_of_its_shunt() -> None:
    shunt = ShuntMonitor(Mount("shunt", "house"), rated_volts=48.0, shunt=Shunt(500.0, 75.0), as_millivolts=True)
    make_exact(shunt)
    # 12.5 A at 75 mV per 500 A are 1.875 mV.
    assert shunt.counts(make_truth())[0, 1] == round(-1.875 / 0.01)
    entry = shunt.channel_entries()[1]
    assert entry["shunt"] == {"rated_amps": 500.0, "rated_millivolts": 75.0}
    assert entry["unit"] == "mV"


def test_tap_logger_registers() -> None:
    taps = TapLogger(Mount("taps", "house"), blocks=8, block_volts=6.0)
    make_exact(taps)
    registers = taps.registers(make_truth())
    assert registers[:8] == [6000, 6100, 6200, 6300, 6400, 6500, 6600, 6700]
    assert registers[100:108] == [200, 150, 100, 50, 0, 0x10000 - 50, 0x10000 - 100, 0x10000 - 150]
    assert registers[8:100] == [0] * 92


def test_sunspec_battery_map() -> None:
    battery = SunSpecBattery(Mount("monitor", "truck"), rated_amp_hours=620.0, rated_volts=80.0)
    make_exact(battery)
    words = battery.registers(make_truth())
    assert words[:4] == [0x5375, 0x6E53, 1, 66]
    model = words[70:]
    assert model[:3] == [802, 62, 620]
    assert words[70 + 64 :] == [0xFFFF, 0]
    assert model[34] * 10.0 ** _signed(model[59]) == pytest.approx(50.4)
    # Discharge counts positive on this device.
    assert _signed(model[44]) * 10.0 ** _signed(model[61]) == pytest.approx(12.5)
    assert model[11] == 0xFFFF
    assert model[56] == model[47] == 0x8000


def _signed(word: int) -> int:
    return word - 0x10000 if word >= 0x8000 else word


FIELDS = (
    Point("volts", "text", 0.01, "V", place={"field": "V"}),
    Point("amps", "text", 0.1, "A", place={"field": "I"}),
    Point("net_amp_hours", "text", 1.0, "Ah", place={"field": "Q"}),
)


@pytest.mark.parametrize("checksum", ["none", "xor_hex", "sum_hex", "crc16_hex"])
@pytest.mark.parametrize("delimiter", ["", ";"])
def test_lines_in_their_forms(delimiter: str, checksum: str) -> None:
    printer = LinePrinter(Mount("meter", "house"), FIELDS, delimiter=delimiter, checksum=checksum)
    make_exact(printer)
    line = printer.line(printer.counts(make_truth())[0])
    body = b"50.40;-12.5;-123" if delimiter else b"V=50.40 I=-12.5 Q=-123"
    digits = {
        "none": b"",
        "xor_hex": b"*%02X" % reduce(lambda a, b: a ^ b, body),
        "sum_hex": b"*%02X" % (sum(body) % 256),
        "crc16_hex": b"*%04X" % crc16(body),
    }
    assert line == body + digits[checksum] + b"\r\n"
    table = printer.lines_table()
    assert table["checksum"] == checksum
    assert table.get("fields", ["V", "I", "Q"]) == ["V", "I", "Q"]


def test_unknown_checksum_is_refused() -> None:
    with pytest.raises(ValueError, match="expected one of none"):
        LinePrinter(Mount("meter", "house"), FIELDS, checksum="md5")


def test_own_errors_stay_within_what_is_stated_and_follow_the_seed() -> None:
    shunt = ShuntMonitor(Mount("shunt", "house"), rated_volts=48.0)
    truth = make_truth(3000)
    columns = []
    for seed in (1, 1, 2):
        shunt.prepare(seed, ())
        columns.append(shunt.measure(truth))
    assert (columns[0] == columns[1]).all()
    assert (columns[0] != columns[2]).any()
    amps = columns[0][:, 1]
    assert np.std(amps) == pytest.approx(0.02, rel=0.1)
    assert 0.0 < abs(amps.mean() + 12.5) < 0.005 * 12.5 + 0.05


def test_readings_beyond_the_register_stop_at_its_end() -> None:
    shunt = ShuntMonitor(Mount("shunt", "house"), rated_volts=48.0, measures_air=True)
    truth = make_truth()
    truth.volts[:] = 900.0
    truth.ambient_celsius[:] = -5000.0
    counts = shunt.counts(truth)[0]
    assert counts[0] == 65535
    assert counts[2] == -32768


def test_truth_names_the_channels_it_has() -> None:
    assert make_truth().column("block_3_volts")[0] == pytest.approx(6.2)
    assert make_truth().column("string_1_amps")[0] == -12.5
    with pytest.raises(ValueError, match="simulated instruments measure"):
        make_truth().column("mean_amps")
