"""How much faster replayed layouts are than traced ones, and what flat sites leave out.

    python benchmarks/replay.py [--rays 16000] [--layouts 1000]

Two demo scenes with sites of 1.2 x 0.6 m (at most 20). Each layout puts wool panels on half
of the sites, at random. Times are of the processor, one thread unless NUMBA_NUM_THREADS
says otherwise; tracing is of treated rooms, whose rays end sooner than bare ones.
"""

import argparse
import time

import numpy as np

from raysim.geometry.build import build_room
from raysim.geometry.furnish import furnish, placed_items
from raysim.measures.pair import measure_pair
from raysim.planning.sites import Site, site_material, sites_of, with_sites
from raysim.propagation.images import arrivals, pair_order
from raysim.propagation.rays import RayRun, expected_duration_s
from raysim.propagation.replay import record, replay_all, reweighted_arrivals, with_materials
from raysim.propagation.room import acoustic_room
from raysim.scene.plan import Layout
from raysim.study import prepare

SCENES = ("weir-bulletin", "tide-tables")
PANEL = "wool_panel_100"
FLAT = {"weir-bulletin": ("C2", "L1 L2 L3 D1 X1"), "tide-tables": ("A2", "W1 W2 E1 E2 N1 N2")}


def speed(name, n_ray, n_layout):
    """Print one row: recording, replay and paths against tracing."""
    scene = prepare(f"scenes/{name}").scene
    mesh = build_room(scene)
    sites = sites_of(scene, mesh, [(1.2, 0.6)])[:20]
    cut = with_sites(scene, sites)
    panel = {s.name: site_material(s, scene.treatments[PANEL], scene) for s in sites}
    cut.materials.update({m.name: m for m in panel.values()})
    room = acoustic_room(cut, build_room(cut))
    source = cut.sources[0]
    receivers = [
        r for r in cut.receivers if source.receivers is None or r.name in source.receivers
    ]
    duration_s = expected_duration_s(room)
    chain = pair_order(room, duration_s)
    shared = {
        "seed": 1, "duration_s": duration_s, "bin_s": 0.001, "image_order": 3,
        "pair_order": chain,
    }  # fmt: skip
    record(room, source, receivers, n_ray=32, **shared)  # compiles
    start = time.process_time()
    recording = record(room, source, receivers, n_ray=n_ray, **shared)
    found = arrivals(room, source, receivers, 3, chain, duration_s * room.speed_m_s)
    to_record = time.process_time() - start
    rng = np.random.default_rng(1)
    rooms = []
    start = time.process_time()
    known = [{} for _ in receivers]
    for _ in range(n_layout):
        on = {s.name for s, put in zip(sites, rng.random(len(sites)) < 0.5, strict=True) if put}
        names = [
            panel[n].name if n in on else m
            for n, m in zip(room.sides.names, room.sides.materials, strict=True)
        ]
        other = with_materials(room, cut, names)
        for f, k in zip(found, known, strict=True):
            reweighted_arrivals(other, source, f, k)
        rooms.append(other)
    to_weigh = (time.process_time() - start) / n_layout
    n_some = min(n_layout, 48)  # all the same work
    alpha = np.stack([r.sides.alpha for r in rooms[:n_some]])
    scattering = np.stack([r.sides.scattering for r in rooms[:n_some]])
    each, errors = {}, []
    for kept in ("energy", "directions"):
        sum(1 for _ in replay_all(recording, alpha[:1], scattering[:1], kept))
        start = time.process_time()
        replays = list(replay_all(recording, alpha, scattering, kept))
        each[kept] = (time.process_time() - start) / n_some
    traces = []
    for i in range(4):
        run = RayRun(rooms[i], source, receivers, **shared)
        run.follow(32)
        run = RayRun(rooms[i], source, receivers, **shared)
        start = time.process_time()
        run.follow(n_ray)
        paths = arrivals(rooms[i], source, receivers, 3, chain, duration_s * room.speed_m_s)
        traces.append(time.process_time() - start)
        errors.append(
            [
                measure_pair(p, h, cut.bands, receivers[0].aim).error["t30_s"][1:7].mean()
                for p, h in ((paths[0], run.histograms()[0]), (paths[0], replays[i][0]))
            ]
        )
    trace = float(np.median(traces))
    traced, replayed = np.nanmean(errors, axis=0)
    same = (traced / replayed) ** 2  # rays needed for one certainty go with its square
    print(
        f"| {name} | {len(sites)} | {recording.count.n_segment / n_ray:.0f} "
        f"| {recording.n_byte / n_ray / 1000:.1f} | {trace:.2f} | {to_record:.2f} "
        f"| {1000 * each['energy']:.1f} | {1000 * each['directions']:.1f} "
        f"| {1000 * to_weigh:.1f} | {replayed / traced:.2f} "
        f"| {(to_record + 1000 * (each['energy'] + to_weigh)) / (same * trace):.1f} "
        f"| {(to_record + 1000 * (each['directions'] + to_weigh)) / (same * trace):.1f} |"
    )


def flat(name, n_ray=64_000):
    """Print what a flat site leaves out: panels of a layout as bodies and as sites."""
    scene = prepare(f"scenes/{name}").scene
    wanted, items = FLAT[name]
    layout = next(one for one in scene.layouts if one.name == wanted)
    kept = tuple(i for i in layout.items if i.name in items.split())
    layout = Layout("flat", "", kept)
    body = furnish(scene, layout, None, [], [])
    sites, put = [], {}
    for placed in placed_items(scene, layout, []):
        on = placed.item.on
        behind = next(f.material for f in scene.finishes if f.surface == on)
        outline = placed.footprint_m
        site = Site(f"{placed.item.name} site", on, behind, outline, placed.item.size_m,
                    placed.normal)  # fmt: skip
        sites.append(site)
        put[site.name] = site_material(site, placed.item.treatment, scene, placed.item.gap_m)
    cut = with_sites(scene, sites)
    cut.materials.update({m.name: m for m in put.values()})
    plain = acoustic_room(cut, build_room(cut))
    names = [
        put[n].name if n in put else m
        for n, m in zip(plain.sides.names, plain.sides.materials, strict=True)
    ]
    rooms = {
        "bodies": (acoustic_room(body, build_room(body)), body),
        "sites": (with_materials(plain, cut, names), cut),
        "bare": (plain, cut),
    }
    found = {}
    for kind, (room, of) in rooms.items():
        source = of.sources[0]
        receiver = next(r for r in of.receivers if r.name in (source.receivers or [r.name]))
        duration_s, chain = 1.5, 20
        run = RayRun(room, source, [receiver], seed=1, duration_s=duration_s, bin_s=0.001,
                     image_order=3, pair_order=chain)  # fmt: skip
        run.follow(n_ray)
        (paths,) = arrivals(room, source, [receiver], 3, chain, duration_s * room.speed_m_s)
        late = run.histograms()[0]
        found[kind] = measure_pair(paths, late, of.bands, receiver.aim)
    for measure in ("t30_s", "c50_db"):
        for kind, m in found.items():
            value, error = getattr(m, measure), m.error[measure]
            row = " | ".join(f"{v:.3f} +- {e:.3f}" for v, e in zip(value, error, strict=True))
            print(f"| {name} {wanted}, {len(sites)} panels, {kind} | {measure} | {row} |")


if __name__ == "__main__":
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--rays", type=int, default=16_000)
    parser.add_argument("--layouts", type=int, default=1000)
    given = parser.parse_args()
    print(
        "| scene | sites | legs per ray | kB per ray | trace s | record s "
        "| replay ms, energy | with directions | paths ms | error over traced "
        "| 1000 layouts in traces, energy | with directions |"
    )
    for scene_name in SCENES:
        speed(scene_name, given.rays, given.layouts)
    for scene_name in SCENES:
        flat(scene_name)
