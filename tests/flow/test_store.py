"""Result files: what goes in comes out, any HDF5 reader understands it, none is half-written.

Truths are definitions: equality of what was given (float32 where the schema says so:
half a unit in its last place, 2**-24 of the value), the schema as data, and for
atomicity the bytes of the file before.
"""

import dataclasses
import errno
import math
import os
import re
import signal
import subprocess
import sys
import textwrap
from pathlib import Path

import h5py
import numpy as np
import pytest
from records import BOX_M, box_mesh, header, layout_result, layout_room

from raysim.errors import StoreError
from raysim.scene.model import Air, Settings
from raysim.scene.place import Place
from raysim.store import replace as replace_module
from raysim.store import schema
from raysim.store.file import (
    Derived,
    Measure,
    check_writable,
    complete_layouts,
    content_key,
    open_results,
    write_derived,
    write_layout,
)
from raysim.store.parts import Stock, Wanted

#: Rounding to the nearest float32: half a unit of its 24 bits.
FLOAT32 = 2.0**-24


@pytest.fixture
def path(tmp_path):
    return tmp_path / "box.h5"


@pytest.fixture
def written(path):
    """A file with the layouts "bare" and "a/b."."""
    write_layout(path, header(), layout_result("bare"))
    write_layout(path, header(), layout_result("a/b.", seed=2))
    return path


def code_of(raised) -> str:
    (complaint,) = raised.value.complaints
    assert str(complaint.where) != ""
    assert complaint.fix.endswith((".", "?"))
    return complaint.code


# --- round trip -------------------------------------------------------------------


def same(a, b, rtol=0.0) -> bool:
    """Say whether two records hold the same, arrays to a relative tolerance."""
    if isinstance(a, np.ndarray):
        return (
            a.shape == b.shape
            and a.dtype == b.dtype
            and np.allclose(a, b, rtol, 0.0, equal_nan=True)
        )
    if dataclasses.is_dataclass(a):
        names = [f.name for f in dataclasses.fields(a)]
        return type(a) is type(b) and all(
            same(getattr(a, n), getattr(b, n), rtol) for n in names
        )
    if isinstance(a, (tuple, list)):
        return len(a) == len(b) and all(same(x, y, rtol) for x, y in zip(a, b, strict=True))
    if isinstance(a, dict):
        return a.keys() == b.keys() and all(same(a[k], b[k], rtol) for k in a)
    return bool(a == b)


@pytest.mark.parametrize("fraction", [1, 3])
def test_header_comes_back_exactly(path, fraction):
    head = header(seed=5, fraction=fraction)
    write_layout(path, head, layout_result("bare", head))
    scene = head.scene
    with open_results(path) as results:
        assert (results.title, results.about) == (scene.title, scene.about)
        assert results.ignored == scene.ignored
        assert results.bands == scene.bands
        assert results.air == scene.air
        assert results.settings == scene.settings
        assert same(results.layout("bare"), layout_room("bare", head))
        assert results.sides("bare") is results.layout("bare").sides
        assert results.room("bare") is results.layout("bare").mesh
        assert results.materials("bare") is results.layout("bare").materials
        assert same(results.sources, scene.sources)
        assert same(results.receivers, scene.receivers)
        assert results.provenance["scene_text"] == scene.text
        assert results.provenance["seed"] == 5
        assert results.provenance["created_utc"] == head.created_utc
        assert not results.sides("bare").alpha.flags.writeable


def test_pairs_come_back_in_order(path):
    layout = layout_result("b.c/d")
    write_layout(path, header(), layout)
    with open_results(path) as results:
        assert results.layout_names == ("b.c/d",)
        assert results.layout_key("b.c/d") == layout.room.key
        assert results.counts("b.c/d") == layout.counts
        names = results.pair_names("b.c/d")
        assert names == [(pair.source, pair.receiver) for pair in layout.pairs]
        assert ("amp", "..") in names
        for given in layout.pairs:
            got = results.pair("b.c/d", given.source, given.receiver)
            assert same(given.arrivals, got.arrivals)
            assert same(given.histogram, got.histogram, FLOAT32)


def test_round_trip_check_can_fail(path):
    """Planted fault: one arrival a rounding step late, one histogram bin of 1e-7 more."""
    layout = layout_result("bare")
    write_layout(path, header(), layout)
    given = layout.pairs[0]
    late, loud = given.arrivals.delay_s.copy(), given.histogram.energy.copy()
    late[3] = np.nextafter(late[3], 1.0)
    loud[0, 0, 0] *= 1.0 + 2e-7
    with open_results(path) as results:
        got = results.pair("bare", given.source, given.receiver)
    assert not same(dataclasses.replace(given.arrivals, delay_s=late), got.arrivals)
    faulty = dataclasses.replace(given.histogram, energy=loud)
    assert not same(faulty, got.histogram, FLOAT32)


def test_arrivals_and_time_may_be_empty(path):
    layout = layout_result("bare", n_time=0)
    none = {
        f.name: getattr(layout.pairs[0].arrivals, f.name)[:0]
        for f in dataclasses.fields(layout.pairs[0].arrivals)
    }
    pair = dataclasses.replace(
        layout.pairs[0], arrivals=dataclasses.replace(layout.pairs[0].arrivals, **none)
    )
    write_layout(path, header(), dataclasses.replace(layout, pairs=(pair,)))
    with open_results(path) as results:
        got = results.pair("bare", pair.source, pair.receiver)
        assert same(pair, got)


def test_names_that_hdf5_would_misread_do_not_collide(path):
    """ "a/b", "a%2Fb", "." and "" are four layouts."""
    names = ("a/b", "a%2Fb", ".", "", "..", "é")
    for name in names:
        write_layout(path, header(), layout_result(name))
    with open_results(path) as results:
        assert results.layout_names == names


def test_derived_comes_back_and_is_replaced(written):
    rng = np.random.default_rng(3)
    impulse = rng.standard_normal(4800)
    t30_s, error_s = rng.random((2, 8))
    t30_s[0] = np.nan  # no value in this band
    measures = {
        "t30_s": Measure(t30_s, error_s, "s"),
        "sti": Measure(0.61, 0.02, "1"),
        "early/late": Measure(1.5, None, "dB"),
    }
    pair = ("a/b.", "amp", "mic/a")
    before = written.stat().st_size
    write_derived(written, [Derived(*pair, impulse, 44_100, {"d50": Measure(0.5, None, "1")})])
    write_derived(written, [Derived(*pair, measures=measures)])
    with open_results(written) as results:
        assert results.layout_names == ("bare", "a/b.")
        got, rate_hz = results.impulse(*pair)
        assert rate_hz == 44_100
        assert same(impulse, got, FLOAT32)
        back = results.measures(*pair)
        assert back.keys() == measures.keys()
        np.testing.assert_array_equal(back["t30_s"].value, t30_s)
        np.testing.assert_array_equal(back["t30_s"].error, error_s)
        assert back["t30_s"].unit == "s"
        assert back["sti"] == measures["sti"]
        assert back["early/late"] == measures["early/late"]
        assert results.impulse("bare", "amp", "mic/a") is None
        assert results.measures("bare", "amp", "mic/a") == {}
        assert same(
            layout_result("a/b.", seed=2).pairs[1].arrivals, results.pair(*pair).arrivals
        )
    assert written.stat().st_size > before
    # A layout computed again takes what was derived from the old one with it.
    write_layout(written, header(), layout_result("a/b.", seed=9))
    with open_results(written) as results:
        assert results.impulse(*pair) is None
        assert results.measures(*pair) == {}


def test_derived_keeps_to_its_axes(written):
    with pytest.raises(ValueError, match=r"shape \(2, 3\)"):
        write_derived(
            written,
            [
                Derived(
                    "bare", "amp", "..", measures={"t30_s": Measure(np.ones((2, 3)), None, "s")}
                )
            ],
        )
    with pytest.raises(ValueError, match="cannot be called"):
        write_derived(
            written, [Derived("bare", "amp", "..", measures={"x_error": Measure(1, None, "s")})]
        )


def test_thousands_of_arrays_share_the_band_scale(path):
    """HDF5's old format ends at 4085: an attribute there has at most 64 KiB."""
    layout = layout_result("bare", n_time=2)
    write_layout(path, header(), layout)
    many = {f"m{i}": Measure(np.full(8, float(i)), None, "1") for i in range(4200)}
    write_derived(path, [Derived("bare", "amp", "..", measures=many)])
    with h5py.File(path) as file:
        last = file["layouts/bare/pairs/amp/%2E%2E/measures/m4199"]
        assert last.dims[0][0] == file["bands/centre_hz"]


# --- the schema -------------------------------------------------------------------


def pattern_of(path: str) -> re.Pattern[str]:
    parts = re.split(r"\{\w+\}", path)
    return re.compile("[^/]+".join(map(re.escape, parts)))


def faults_of(file: h5py.File) -> list[str]:
    """List what in a file is not as the schema says; knows nothing but h5py."""
    faults = []
    seen = set()
    found = {"/": file}
    file.visititems(lambda name, h5: found.update({"/" + name: h5}))
    containers = re.compile("/(sources|receivers|layouts(/[^/]+/(materials|pairs))?)")
    for where, h5 in found.items():
        if isinstance(h5, h5py.Group) and not containers.fullmatch(where):
            groups = [g for g in schema.GROUPS if pattern_of(g.path).fullmatch(where)]
            if len(groups) != 1:
                faults.append(f"{where}: {len(groups)} groups of the schema")
                continue
            (group,) = groups
            seen.add(group.path)
            faults += group_faults(where, h5, group)
    faults += [
        f"{g.path}: missing" for g in schema.GROUPS if g.path not in seen and not g.optional
    ]
    return faults


def group_faults(where, h5, group):
    unknown = set(h5.attrs) | {k for k, v in h5.items() if isinstance(v, h5py.Dataset)}
    for item in group.items:
        held = h5.attrs if item.axes is None else h5
        names = [k for k in held if pattern_of(item.name).fullmatch(k)]
        if item.name.startswith("{") and not item.name.endswith("_error"):
            names = [k for k in names if not k.endswith("_error")]
        if not names and not item.optional:
            yield f"{where}: no {item.name}"
        for name in names:
            unknown.discard(name)
            yield from item_faults(f"{where}/{name}", held[name], item, h5.file)
    yield from (f"{where}: {name} is not in the schema" for name in unknown)


def item_faults(where, held, item, file):
    kind = {"text": None}.get(item.dtype, item.dtype)
    if item.axes is None:
        if (kind is None) != isinstance(held, str) or (kind and held.dtype != kind):
            yield f"{where}: attribute is {type(held).__name__}, not {item.dtype}"
        return
    axes = () if item.or_single and held.shape == () else item.axes
    if held.ndim != len(axes) or tuple(dim.label for dim in held.dims) != axes:
        yield f"{where}: axes are not {axes}"
        return
    if kind is None:
        if h5py.check_string_dtype(held.dtype) is None:
            yield f"{where}: not text"
    else:
        if held.dtype != kind:
            yield f"{where}: {held.dtype}, not {kind}"
        unit = held.attrs.get("unit")
        if not isinstance(unit, str) or (item.unit != "own" and unit != item.unit):
            yield f"{where}: unit is {unit!r}"
        if held.nbytes > schema.COMPRESS_ABOVE and not (
            held.compression == "gzip" and held.shuffle and held.fletcher32
        ):
            yield f"{where}: not compressed"
    for dim, axis in zip(held.dims, axes, strict=True):
        if axis in schema.SCALES:
            scale = held.parent[schema.SCALES[axis]]
            if scale == held:
                if not held.is_scale:
                    yield f"{where}: is no dimension scale"
            elif (
                len(dim) != 1
                or file[dim[0].name] != scale
                or len(scale) != held.shape[list(axes).index(axis)]
            ):
                yield f"{where}: no scale on axis {axis}"


@pytest.fixture
def complete(written):
    """A file with everything optional in it, once copied from file to file."""
    measures = {"t30_s": Measure(np.ones(8), np.ones(8), "s"), "sti": Measure(0.5, 0.1, "1")}
    write_derived(
        written, [Derived("bare", "amp", "mic/a", np.arange(1000.0), 48_000, measures)]
    )
    write_layout(written, header(), layout_result("third"))
    return written


def test_plain_h5py_finds_what_the_schema_says(complete):
    with h5py.File(complete, "r") as file:
        assert faults_of(file) == []


def cut_scale(file):
    histogram = file["layouts/a%2Fb%2E/pairs/amp/mic%2Fa/histogram"]
    histogram["energy"].dims[2].detach_scale(histogram["time_s"])


def change_dtype(file):
    del file["layouts/bare/room/faces"]
    file["layouts/bare/room"].create_dataset("faces", data=np.zeros((3, 3)))


def change_unit(file):
    file["layouts/bare/pairs/amp/mic%2Fa/arrivals/delay_s"].attrs["unit"] = "ms"


def lose_item(file):
    del file["layouts/bare/materials/plaster/alpha_low"]


def lose_group(file):
    del file["air"]


def add_item(file):
    file["layouts/bare/pairs/amp/mic%2Fa/arrivals/extra"] = np.ones(3)


@pytest.mark.parametrize(
    "fault", [cut_scale, change_dtype, change_unit, lose_item, lose_group, add_item]
)
def test_schema_check_can_fail(complete, fault):
    with h5py.File(complete, "r+") as file:
        fault(file)
        assert faults_of(file) != []


def test_schema_document_is_up_to_date():
    text = (Path(schema.__file__).parent / "SCHEMA.md").read_text(encoding="utf-8")
    assert text == schema.schema_markdown(), "print schema_markdown() into SCHEMA.md again"


def test_times_are_in_seconds_from_emission(written):
    """Truth: bin t begins at t times its length."""
    with h5py.File(written, "r") as file:
        time_s = file["layouts/bare/pairs/amp/mic%2Fa/histogram/time_s"][()]
    np.testing.assert_array_equal(time_s, 0.001 * np.arange(300))


def test_large_arrays_are_smaller_on_disk(written):
    with h5py.File(written, "r") as file:
        energy = file["layouts/bare/pairs/amp/mic%2Fa/histogram/energy"]
        assert energy.id.get_storage_size() < energy.nbytes


# --- keys and resuming ------------------------------------------------------------


def test_no_file_has_no_layouts(path):
    assert complete_layouts(path) == {}


def test_complete_layouts_have_the_keys_they_were_given(written):
    head = header()
    key = content_key(head.scene, head.mesh, head.sides)
    assert complete_layouts(written) == {"bare": key, "a/b.": key}


def key_with(**changed):
    head = header(**changed)
    return content_key(head.scene, head.mesh, head.sides)


def settings_with(**changed):
    return dataclasses.replace(Settings(seed=1, until_t30_pct=None), **changed)


@pytest.mark.parametrize(
    "changed",
    [
        {"fraction": 3},
        {"air": Air(22.0, 43.0, 99_000.0)},
        {"sources": header().scene.sources[:1]},
        {"receivers": header().scene.receivers[::-1]},
        *(
            {"settings": settings_with(**{f.name: f.default + 1})}
            for f in dataclasses.fields(Settings)
            if isinstance(f.default, (int, float))
            and f.name not in ("sample_rate_hz", "bass", "on_gpu")
        ),
    ],
    ids=str,
)
def test_key_changes_with_all_that_changes_results(changed):
    assert key_with(**changed) != key_with()


@pytest.mark.parametrize("what", ["vertices_m", "face_plane", "alpha", "scattering"])
def test_key_changes_with_the_room(what):
    head = header()
    mesh, sides = head.mesh, head.sides
    if hasattr(mesh, what):
        mesh = dataclasses.replace(mesh, **{what: getattr(mesh, what) + 1})
    else:
        values = getattr(sides, what).copy()
        values[-1, -1] = np.nextafter(values[-1, -1], 1.0)
        sides = dataclasses.replace(sides, **{what: values})
    assert content_key(head.scene, mesh, sides) != key_with()


@pytest.mark.parametrize(
    "changed",
    [
        {},
        {"settings": settings_with(sample_rate_hz=44_100)},
        {"settings": settings_with(on_gpu=True)},
        {"settings": settings_with(place=Place("elsewhere.toml", 99))},
        {"air": dataclasses.replace(header().scene.air, place=Place("elsewhere.toml", 99))},
        {"path": Path("/else/box.toml")},
        {"text": "else"},
        {"title": "else", "about": "else", "ignored": ()},
    ],
    ids=str,
)
def test_key_stays_with_all_that_does_not(changed):
    assert key_with(**changed) == key_with()


def test_another_scene_replaces_the_file(written):
    head = header(text="else")
    write_layout(written, head, layout_result("bare", head))
    assert list(complete_layouts(written)) == ["bare"]
    with open_results(written) as results:
        assert results.provenance["scene_text"] == "else"


def test_layouts_that_are_no_longer_current_go(written):
    """ "bare" has another key by now, "a/b." is still current, "third" is new."""
    head = header(title="Another title")
    third = layout_result("third", head)
    third = dataclasses.replace(third, room=dataclasses.replace(third.room, key="1" * 64))
    bare, other = layout_room("bare", head), layout_room("a/b.", head)
    current = [third.room, dataclasses.replace(bare, key="0" * 64), other]
    with Stock(written) as stock:
        stock.want(head, [Wanted(room, "") for room in current])
        for source, count in third.counts.items():
            pairs = [pair for pair in third.pairs if pair.source == source]
            stock.put_rays(Wanted(third.room, ""), source, pairs, count)
        stock.gather()
    with open_results(written) as results:
        assert results.layout_names == ("third", "a/b.")
        given = layout_result("a/b.", seed=2).pairs[0]
        got = results.pair("a/b.", given.source, given.receiver)
        assert same(given.arrivals, got.arrivals)
    with h5py.File(written, "r") as file:
        assert faults_of(file) == []


def larger(head):
    mesh = dataclasses.replace(head.mesh, vertices_m=head.mesh.vertices_m * 2.0)
    return dataclasses.replace(head, mesh=mesh)


def test_each_layout_has_its_own_room(written):
    """A room twice as large beside two others: each comes back as it was given."""
    head = header()
    big = layout_result("big", larger(head))
    rooms = [layout_room("bare"), layout_room("a/b."), big.room]
    write_layout(written, head, big)
    with open_results(written) as results:
        for room in rooms:
            assert same(results.layout(room.name), room)
        assert not same(results.room("big"), results.room("bare"))  # the twin
    with h5py.File(written, "r") as file:
        assert faults_of(file) == []


def test_source_may_be_called_as_a_part_of_a_layout(path):
    """Pairs lie apart from room, sides and materials."""
    head = header()
    named = tuple(
        dataclasses.replace(s, name=name, receivers=None)
        for s, name in zip(head.scene.sources, ("room", "pairs"), strict=True)
    )
    head = header(sources=named)
    layout = layout_result("materials", head)
    write_layout(path, head, layout)
    with open_results(path) as results:
        assert results.pair_names("materials") == [(p.source, p.receiver) for p in layout.pairs]
        assert same(results.layout("materials"), layout.room)
        assert same(results.pair("materials", "room", "..").arrivals, layout.pairs[1].arrivals)


def test_header_alone_can_be_written(written):
    """Texts are new, results of layouts with the same key stay, others go."""
    rng = np.random.default_rng(4)
    write_derived(written, [Derived("a/b.", "amp", "..", rng.standard_normal(99))])
    head = header(title="Another title")
    kept = dataclasses.replace(layout_room("a/b.", head), about="other words")
    gone = dataclasses.replace(layout_room("bare"), key="0")
    with Stock(written) as stock:
        stock.want(head, [Wanted(kept, ""), Wanted(gone, "")])
    with open_results(written) as results:
        assert results.title == "Another title"
        assert results.layout_names == ("a/b.",)
        assert results.layout("a/b.").about == "other words"
        given = layout_result("a/b.", seed=2).pairs[0]
        assert same(given.arrivals, results.pair("a/b.", given.source, given.receiver).arrivals)
        assert results.impulse("a/b.", "amp", "..") is not None
    with h5py.File(written, "r") as file:
        assert faults_of(file) == []


# --- atomicity --------------------------------------------------------------------

_WRITER = """
    import io, os, resource, signal, sys
    from pathlib import Path
    from records import header, layout_result
    from raysim.errors import RaysimError
    from raysim.store import replace
    from raysim.store.file import write_layout

    def die(*_):
        os.kill(os.getpid(), signal.SIGKILL)

    path, point, how = sys.argv[1:]
    if how == "in place":
        type(Path()).with_name = lambda self, name: self
    if point == "while computing":
        write_layout.__globals__["tie_scales"] = die
    elif point == "before writing":
        replace._is_same = die
    elif point == "half written":
        replace._CHUNK = 20_000
        class Half(io.FileIO):
            def write(self, data):
                if os.fstat(self.fileno()).st_size >= 20_000:
                    die()
                return super().write(data)
        replace.io = type("io", (), {"FileIO": Half})
    elif point == "before made durable":
        os.fsync = die
    elif point == "before replacing":
        os.replace = die
    elif point == "after replacing":
        real = os.replace
        def replaced(a, b):
            real(a, b)
            die()
        os.replace = replaced
    elif point == "disk too small":
        resource.setrlimit(resource.RLIMIT_FSIZE, (30_000, 30_000))
    try:
        write_layout(path, header(), layout_result("third"))
    except RaysimError as error:
        print(error)
        sys.exit(error.exit_code)
"""


def run_writer(path, point, how="beside"):
    here = Path(__file__).resolve().parent.parent
    return subprocess.run(
        [sys.executable, "-W", "error", "-c", textwrap.dedent(_WRITER), str(path), point, how],
        env={**os.environ, "PYTHONPATH": str(here)},
        capture_output=True,
        text=True,
        timeout=60,
        check=False,
    )


@pytest.mark.parametrize(
    ("point", "added"),
    [
        ("while computing", False),
        ("before writing", False),
        ("half written", False),
        ("before made durable", False),
        ("before replacing", False),
        ("after replacing", True),
    ],
)
def test_killed_writer_leaves_a_whole_file(written, point, added):
    """Truth: the bytes before; a second, undisturbed writer then finds its way."""
    before = written.read_bytes()
    ended = run_writer(written, point)
    assert ended.returncode == -signal.SIGKILL, ended.stderr
    assert (written.read_bytes() == before) is not added
    expected = ["bare", "a/b.", "third"]
    assert list(complete_layouts(written)) == expected[: 3 if added else 2]
    write_layout(written, header(), layout_result("third"))
    assert list(complete_layouts(written)) == expected
    assert os.listdir(written.parent) == [written.name]


def test_killed_writer_test_can_fail(written):
    """Planted fault: the writer writes straight into the file."""
    before = written.read_bytes()
    ended = run_writer(written, "half written", "in place")
    assert ended.returncode == -signal.SIGKILL, ended.stderr
    assert written.read_bytes() != before
    with pytest.raises(StoreError) as raised:
        complete_layouts(written)
    assert code_of(raised) == "RS-H03"


def test_undisturbed_writer_ends_well(written):
    """The writer of the tests above reaches its end if nothing is planted."""
    ended = run_writer(written, "nowhere")
    assert ended.returncode == 0, ended.stderr
    assert list(complete_layouts(written)) == ["bare", "a/b.", "third"]


def test_disk_that_is_too_small_is_one_clear_message(written):
    """A real refusal by the system, in the middle of the file."""
    before = written.read_bytes()
    assert len(before) > 30_000
    ended = run_writer(written, "disk too small")
    assert ended.returncode == 2, ended.stderr
    assert ended.stderr == ""
    assert "[RS-H06]" in ended.stdout
    assert ended.stdout.count("\n") == 1
    assert written.read_bytes() == before
    assert os.listdir(written.parent) == [written.name]


@pytest.mark.parametrize(
    ("function", "number", "code"),
    [
        ("fsync", errno.ENOSPC, "RS-H06"),
        ("fsync", errno.EIO, "RS-H06"),
        ("replace", errno.EACCES, "RS-H05"),
        ("replace", errno.ENOSPC, "RS-H06"),
    ],
)
def test_failed_write_leaves_the_old_file_and_nothing_else(
    written, monkeypatch, function, number, code
):
    before = written.read_bytes()

    def fail(*_):
        raise OSError(number, os.strerror(number))

    monkeypatch.setattr(os, function, fail)
    with pytest.raises(StoreError) as raised:
        write_layout(written, header(), layout_result("third"))
    assert code_of(raised) == code
    with pytest.raises(StoreError) as raised:
        write_derived(written, [Derived("bare", "amp", "..", np.ones(9))])
    assert code_of(raised) == code
    assert written.read_bytes() == before
    assert os.listdir(written.parent) == [written.name]


def test_interrupted_write_leaves_the_old_file_and_nothing_else(written, monkeypatch):
    before = written.read_bytes()

    def interrupt(*_):
        raise KeyboardInterrupt

    monkeypatch.setattr(os, "fsync", interrupt)
    with pytest.raises(KeyboardInterrupt):
        write_layout(written, header(), layout_result("third"))
    assert written.read_bytes() == before
    assert os.listdir(written.parent) == [written.name]


_HOLDER = """
    import sys, time
    from pathlib import Path
    from raysim.store import replace
    with replace._sole_writer(Path(sys.argv[1])):
        print("held", flush=True)
        sys.stdin.read()
"""


def test_second_writer_is_told_to_wait(written, monkeypatch):
    monkeypatch.setattr(replace_module, "WAIT_S", 0.1)
    with subprocess.Popen(
        [sys.executable, "-c", textwrap.dedent(_HOLDER), str(written)],
        stdin=subprocess.PIPE,
        stdout=subprocess.PIPE,
    ) as holder:
        assert holder.stdout.readline() == b"held\n"
        before = written.read_bytes()
        with pytest.raises(StoreError) as raised:
            write_layout(written, header(), layout_result("third"))
        assert code_of(raised) == "RS-H07"
        assert written.read_bytes() == before
        # Reading is free meanwhile, and the writer's work is not disturbed.
        assert list(complete_layouts(written)) == ["bare", "a/b."]
        assert written.with_name(written.name + ".part").exists()
        holder.stdin.close()
    # The twin: with the other gone, the same call succeeds.
    write_layout(written, header(), layout_result("third"))
    assert list(complete_layouts(written)) == ["bare", "a/b.", "third"]


def test_writers_at_the_same_time_lose_nothing(path):
    """Four processes, one file: each waits for its turn and builds on the last."""
    code = """
        import sys
        from records import header, layout_result
        from raysim.store.file import write_layout
        write_layout(sys.argv[1], header(), layout_result(sys.argv[2]))
    """
    here = Path(__file__).resolve().parent.parent
    names = [f"layout {i}" for i in range(4)]
    writers = [
        subprocess.Popen(
            [sys.executable, "-c", textwrap.dedent(code), str(path), name],
            env={**os.environ, "PYTHONPATH": str(here)},
        )
        for name in names
    ]
    assert [writer.wait(60) for writer in writers] == [0] * 4
    assert sorted(complete_layouts(path)) == names


def test_open_results_survive_a_rewrite(written):
    """A page that is being made reads on from the file it opened."""
    with open_results(written) as results:
        write_layout(written, header(text="else"), layout_result("new"))
        assert results.pair("bare", "amp", "mic/a").arrivals.delay_s.size == 40


# --- files that cannot be used ------------------------------------------------------


def read_attempts(path):
    return [lambda: open_results(path), lambda: complete_layouts(path)]


def write_attempts(path):
    return [
        lambda: write_layout(path, header(), layout_result("bare")),
        lambda: write_derived(path, []),
        lambda: check_writable(path),
    ]


def assert_refused(path, attempts, code):
    """Each attempt raises the code, and the file, if any, stays."""
    before = path.read_bytes() if path.is_file() else None
    beside = sorted(os.listdir(path.parent)) if path.parent.is_dir() else None
    for attempt in attempts:
        with pytest.raises(StoreError) as raised:
            attempt()
        assert code_of(raised) == code
        assert str(path.name) in str(raised.value)
    assert (path.read_bytes() if path.is_file() else None) == before
    if beside is not None:
        assert sorted(os.listdir(path.parent)) == beside


@pytest.mark.parametrize("kept", [9, 600, 0.5, -1])
def test_truncated_file(written, kept):
    content = written.read_bytes()
    written.write_bytes(
        content[: int(len(content) * kept) if isinstance(kept, float) else kept]
    )
    assert_refused(written, read_attempts(written) + write_attempts(written), "RS-H03")


def test_bytes_that_changed_on_disk_are_noticed(written):
    """Every array above 1 KiB has a checksum of its own."""
    with h5py.File(written, "r") as file:
        info = file["layouts/bare/pairs/amp/mic%2Fa/histogram/energy"].id.get_chunk_info(0)
    with open(written, "r+b") as stream:
        stream.seek(info.byte_offset + info.size // 2)
        old = stream.read(1)
        stream.seek(-1, os.SEEK_CUR)
        stream.write(bytes([old[0] ^ 0x10]))
    with open_results(written) as results, pytest.raises(StoreError) as raised:
        results.pair("bare", "amp", "mic/a")
    assert code_of(raised) == "RS-H03"


def test_file_without_its_groups_is_damaged(written):
    with h5py.File(written, "r+") as file:
        del file["layouts/bare/room"]
    with open_results(written) as results, pytest.raises(StoreError) as raised:
        results.room("bare")
    assert code_of(raised) == "RS-H03"
    with h5py.File(written, "r+") as file:
        del file["layouts"]
    assert_refused(written, read_attempts(written), "RS-H03")


@pytest.mark.parametrize("content", [b"", b"\x89HDF", b"not HDF5 at all" * 100])
def test_foreign_file_is_left_alone(path, content):
    path.write_bytes(content)
    assert_refused(path, read_attempts(path) + write_attempts(path), "RS-H02")


@pytest.mark.parametrize("said", [None, "other results", 7])
def test_foreign_hdf5_file_is_left_alone(path, said):
    with h5py.File(path, "w") as file:
        file["measurement"] = np.arange(3)
        if said is not None:
            file.attrs["format"] = said
    assert_refused(path, read_attempts(path) + write_attempts(path), "RS-H02")


@pytest.mark.parametrize(
    ("version", "said"),
    [
        (3, "version 3, newer than the 2 that this raysim knows. Use a raysim of its own age"),
        (1, "version 1, older than the 2 that this raysim knows. Simulate the scene again"),
    ],
)
def test_other_schema_version(written, version, said):
    with h5py.File(written, "r+") as file:
        file.attrs["schema_version"] = version
    assert_refused(written, read_attempts(written) + write_attempts(written), "RS-H04")
    with pytest.raises(StoreError, match=said):
        open_results(written)


def test_no_file_to_read(path):
    assert_refused(
        path, [lambda: open_results(path), lambda: write_derived(path, [])], "RS-H01"
    )


def test_path_is_a_folder(tmp_path):
    assert_refused(tmp_path, read_attempts(tmp_path), "RS-H01")
    assert_refused(tmp_path, write_attempts(tmp_path), "RS-H05")


@pytest.mark.parametrize("parent", ["a file", "missing"])
def test_folder_that_cannot_hold_the_file(tmp_path, parent):
    """A test may run as root, whom no permission stops: a file is no folder even to root."""
    (tmp_path / "a file").write_text("x")
    path = tmp_path / parent / "box.h5"
    assert_refused(path, write_attempts(path), "RS-H05")


def test_device_is_not_replaced():
    """As root, a careless rename would replace it."""
    path = Path("/dev/full")
    assert_refused(path, write_attempts(path), "RS-H05")
    assert not path.is_file()


def test_name_that_the_disk_cannot_hold(tmp_path):
    path = tmp_path / ("x" * 253)
    attempts = [write_attempts(path)[0], write_attempts(path)[2]]
    assert_refused(path, attempts, "RS-H05")


@pytest.mark.skipif(os.geteuid() == 0, reason="root may write anywhere")
def test_folder_without_permission(tmp_path):
    tmp_path.chmod(0o500)
    path = tmp_path / "box.h5"
    assert_refused(path, [write_attempts(path)[0], write_attempts(path)[2]], "RS-H05")
    tmp_path.chmod(0o700)


def test_read_only_disk(tmp_path, monkeypatch):
    """Stands for any refusal on opening: also for root."""

    class ReadOnly:
        def __init__(self, *_):
            raise OSError(errno.EROFS, os.strerror(errno.EROFS))

    monkeypatch.setattr(replace_module.io, "FileIO", ReadOnly)
    path = tmp_path / "box.h5"
    attempts = [write_attempts(path)[0], write_attempts(path)[2]]
    assert_refused(path, attempts, "RS-H05")


def test_good_path_is_writable_and_stays_as_it_is(written, tmp_path):
    """The twin of the refusals above."""
    before = written.read_bytes()
    check_writable(written)
    check_writable(tmp_path / "new.h5")
    assert written.read_bytes() == before
    assert os.listdir(tmp_path) == [written.name]


def test_link_is_followed(written, tmp_path):
    (tmp_path / "link.h5").symlink_to(written)
    write_layout(tmp_path / "link.h5", header(), layout_result("third"))
    assert (tmp_path / "link.h5").is_symlink()
    assert list(complete_layouts(written)) == ["bare", "a/b.", "third"]


@pytest.mark.parametrize(
    ("asked", "fix"),
    [
        (("bere", "amp", "mic/a"), 'Did you mean "bare"?'),
        (("bare", "anp", "mic/a"), 'Did you mean "amp"?'),
        (("bare", "amp", "micc/a"), 'Did you mean "mic/a"?'),
        (("bare", "mouth 1.5 m", ".."), "It has: mic/a."),
    ],
)
def test_what_is_not_held_is_named(written, asked, fix):
    with open_results(written) as results:
        for ask in (results.pair, results.impulse, results.measures):
            with pytest.raises(StoreError) as raised:
                ask(*asked)
            assert code_of(raised) == "RS-H08"
            assert fix in str(raised.value)
    before = written.read_bytes()
    with pytest.raises(StoreError) as raised:
        write_derived(
            written, [Derived("bare", "amp", ".."), Derived(*asked, impulse=np.ones(4))]
        )
    assert code_of(raised) == "RS-H08"
    assert written.read_bytes() == before


def test_text_that_hdf5_cannot_keep(path):
    with pytest.raises(StoreError) as raised:
        write_layout(path, header(title="a\0b"), layout_result("bare"))
    assert code_of(raised) == "RS-H09"
    assert os.listdir(path.parent) == []


def test_every_code_of_the_store_has_its_paragraph():
    package = Path(schema.__file__).parent
    used = set(re.findall(r"RS-H\d\d", "".join(p.read_text() for p in package.glob("*.py"))))
    text = (package.parent / "messages.md").read_text(encoding="utf-8")
    assert used == set(re.findall(r"^## (RS-H\d\d)$", text, flags=re.MULTILINE))


# --- the records of the tests themselves ------------------------------------------


def test_box_of_the_tests_is_a_box():
    """Truth: the divergence theorem gives its volume; area is a sum of rectangles."""
    mesh = box_mesh()
    t = mesh.triangles_m[:12]  # without the sheet
    volume_m3 = -np.einsum("ij,ij->i", t[:, 0], np.cross(t[:, 1], t[:, 2])).sum() / 6.0
    assert math.isclose(volume_m3, math.prod(BOX_M), rel_tol=1e-12)
    assert math.isclose(mesh.face_area_m2[:12].sum(), mesh.envelope_area_m2, rel_tol=1e-12)


def test_only_what_is_asked_for_is_shown(written):
    with open_results(written) as results:
        every = results.layout_names
        results.show_only(every[:1])
        assert results.layout_names == every[:1]
        with pytest.raises(StoreError, match="never stored"):
            results.show_only(["never stored"])
