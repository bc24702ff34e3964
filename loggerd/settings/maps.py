"""Puts device maps in place: the channels of a map become channels of the device that names it.

A channel table of the settings file with the same channel name as one of the map is laid over it key by key, so a
keeper can give the shunt, the bank or a dated correction and leave the addresses to the map.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from pathlib import Path

from loggerd.errors import SettingsError, SettingsFault
from loggerd.settings.device import MapFile
from loggerd.settings.document import Document, read_document
from loggerd.settings.faults import Fault, in_words, key_path, show, value_at
from loggerd.settings.key_lines import KeyPath
from loggerd.settings.model_faults import known_keys, unknown_key
from loggerd.settings.shipped import shipped_path


@dataclass
class Merged:
    """The content of the settings file with all maps in place, and where each part of it comes from."""

    document: Document
    raw: dict[str, object]
    origins: dict[KeyPath, list[tuple[Document, KeyPath]]] = field(default_factory=dict)
    faults: list[Fault] = field(default_factory=list)
    map_faults: list[SettingsFault] = field(default_factory=list)
    unmapped: set[int] = field(default_factory=set)
    """Devices whose map cannot be read: nothing can be said of their channels."""

    def where(self, path: KeyPath) -> str:
        """File, line and key of a path, as a keeper would look for it."""
        shown, line = self.place(path)
        return f"{shown}, line {line}, {in_words(self.raw, path)}"

    def place(self, path: KeyPath) -> tuple[str, int]:
        """File and line of a path."""
        document, line = self._place(path)
        return document.shown, line

    def _place(self, path: KeyPath) -> tuple[Document, int]:
        for length in range(len(path), 0, -1):
            origins = self.origins.get(path[:length])
            if not origins:
                continue
            rest = path[length:]
            for document, prefix in origins:
                if (*prefix, *rest[:1]) in document.lines:
                    return document, document.line((*prefix, *rest))
            document, prefix = origins[0]
            return document, document.line(prefix)
        return self.document, self.document.line(path)


def merge_maps(document: Document, folder: Path) -> Merged:
    """Put the maps of all devices in place. `folder` is that of the settings file."""
    merged = Merged(document, dict(document.raw))
    devices = document.raw.get("device")
    if isinstance(devices, list):
        merged.raw["device"] = [
            _with_map(merged, index, device, folder) if isinstance(device, dict) and ("map") in device else device
            for index, device in enumerate(devices)
        ]
    return merged


def _with_map(merged: Merged, index: int, device: dict[str, object], folder: Path) -> dict[str, object]:
    name = device["map"]
    if not isinstance(name, str) or not name.isprintable() or not 0 < len(name) <= 1000:
        return device  # the model says what is wrong with it
    path = _find_map(name, folder)
    at: KeyPath = ("device", index)
    if path is None:
        looked = "the name of a map file beside the settings file, or among the maps that come with loggerd"
        merged.faults.append(Fault((*at, "map"), f"{show(name)}, and no such file", looked))
        merged.unmapped.add(index)
        return device
    try:
        map_document = read_document(path)
    except SettingsError as error:
        merged.map_faults += error.faults
        merged.unmapped.add(index)
        return device
    device = dict(device)
    _check_top_keys(merged, map_document)
    if "lines" in map_document.raw and "lines" not in device:
        device["lines"] = map_document.raw["lines"]
        merged.origins[(*at, "lines")] = [(map_document, ("lines",))]
    _merge_channels(merged, at, device, map_document)
    return device


def _find_map(name: str, folder: Path) -> Path | None:
    beside = folder / name
    if beside.is_file():
        return beside
    for relative in (name, f"devices/{name}"):
        try:
            path = shipped_path(relative)
        except FileNotFoundError:
            continue
        if path.is_file():
            return path
    return None


def _check_top_keys(merged: Merged, document: Document) -> None:
    known = known_keys(MapFile)
    for key, value in document.raw.items():
        where = f"{document.shown}, line {document.line((key,))}, {in_words(document.raw, key_path((key,)))}"
        if key not in known:
            fault = unknown_key((key,), known)
            merged.map_faults.append(SettingsFault(where, fault.found, fault.expected))
        elif key == "about" and not isinstance(value, str):
            merged.map_faults.append(SettingsFault(where, show(value), "text: what instrument this map is for"))


def _merge_channels(merged: Merged, at: KeyPath, device: dict[str, object], document: Document) -> None:
    from_map = document.raw.get("channel")
    own = device.get("channel", [])
    if not isinstance(from_map, list):
        where = f"{document.shown}, line {document.line(('channel',))}, [[channel]]"
        merged.map_faults.append(SettingsFault(where, show(from_map), "tables headed [[channel]]"))
        from_map = []
    if not isinstance(own, list):
        return  # the model says what is wrong with it
    left_out = _left_out(merged, at, device, from_map)
    channels: list[object] = []
    used: set[int] = set()
    for number, entry in enumerate(from_map):
        name = value_at(entry, ("channel",))
        if isinstance(name, str) and name in left_out:
            continue
        origins: list[tuple[Document, KeyPath]] = [(document, ("channel", number))]
        own_keys: dict[str, object] = {}
        over = _entry_over(own, name, used)
        if over is not None:
            used.add(over)
            origins.insert(0, (merged.document, (*at, "channel", over)))
            own_keys = own[over]
        merged.origins[(*at, "channel", len(channels))] = origins
        channels.append({**entry, **own_keys} if isinstance(entry, dict) else entry)
    for number, entry in enumerate(own):
        if number not in used:
            merged.origins[(*at, "channel", len(channels))] = [(merged.document, (*at, "channel", number))]
            channels.append(entry)
    device["channel"] = channels


def _entry_over(own: list[object], name: object, used: set[int]) -> int | None:
    """The first channel table of the settings file that is laid over the map's channel of that name."""
    for number, entry in enumerate(own):
        if number not in used and isinstance(entry, dict) and isinstance(name, str) and entry.get("channel") == name:
            return number
    return None


def _left_out(merged: Merged, at: KeyPath, device: dict[str, object], from_map: list[object]) -> set[str]:
    names = device.get("leave_out", [])
    if not isinstance(names, list):
        return set()
    known = {name for entry in from_map if isinstance(name := value_at(entry, ("channel",)), str)}
    for name in names:
        if isinstance(name, str) and name not in known:
            merged.faults.append(
                Fault((*at, "leave_out"), show(name), f"channels of the map: {', '.join(sorted(known))}")
            )
    return {name for name in names if isinstance(name, str)}
