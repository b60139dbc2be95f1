"""The bass of a layout to groups of a result file and back."""

import json

import h5py

from raysim.records import Bass, BassResponse, Modes, SeatMap
from raysim.store import schema
from raysim.store.groups import group_path, put, take
from raysim.store.layouts import fields_of


def bass_path(layout: str) -> str:
    """Give the path of the group that holds the bass of a layout."""
    return group_path(schema.BASS, {"layout": layout})


def put_bass(file: h5py.File, layout: str, key: str, bass: Bass) -> None:
    """Write the bass of a layout in place of what was there."""
    names = {"layout": layout}
    file.pop(bass_path(layout), None)
    put(file, schema.BASS, {"key": key} | fields_of(bass, schema.BASS), names)
    modes = fields_of(bass.modes, schema.BASS_MODES)
    modes["between_json"] = [json.dumps(one) for one in bass.modes.between]
    put(file, schema.BASS_MODES, modes, names)
    for part in ("pairs", "maps"):
        file.create_group(f"{bass_path(layout)}/{part}")
    for i, pair in enumerate(bass.pairs):
        at = names | {"source": pair.source, "receiver": pair.receiver}
        put(file, schema.BASS_PAIR, fields_of(pair, schema.BASS_PAIR) | {"index": i}, at)
    for i, seats in enumerate(bass.maps):
        at = names | {"source": seats.source}
        put(file, schema.SEAT_MAP, fields_of(seats, schema.SEAT_MAP) | {"index": i}, at)


def take_bass_key(file: h5py.File, layout: str) -> str | None:
    """Read the key that the bass of a layout was stored with, if there is any."""
    path = bass_path(layout)
    return str(file[path].attrs["key"]) if path in file else None


def take_bass(file: h5py.File, layout: str) -> Bass | None:
    """Read the bass of a layout, if there is any."""
    if take_bass_key(file, layout) is None:
        return None
    names, held = {"layout": layout}, file[bass_path(layout)]
    pairs, maps = [], []
    for h5_source in held["pairs"].values():
        for h5 in h5_source.values():
            at = {"source": h5.attrs["source"], "receiver": h5.attrs["receiver"]}
            values = take(file, schema.BASS_PAIR, names | at)
            pairs.append((values.pop("index"), BassResponse(**values)))
    for h5 in held["maps"].values():
        values = take(file, schema.SEAT_MAP, names | {"source": h5.attrs["source"]})
        maps.append((values.pop("index"), SeatMap(**values)))
    modes = take(file, schema.BASS_MODES, names)
    between = tuple(tuple(json.loads(text)) for text in modes.pop("between_json"))
    values = take(file, schema.BASS, names)
    return Bass(
        pairs=tuple(pair for _, pair in sorted(pairs, key=lambda p: p[0])),
        modes=Modes(**modes, between=between),
        maps=tuple(seats for _, seats in sorted(maps, key=lambda m: m[0])),
        spacing_m=values["spacing_m"],
        imbalance=values["imbalance"],
    )
