"""Clips and answers for tests of listening kits: short, different, equally loud.

Import it from any test file: ``from kits import clips, pair_answers``.
"""

import json

import numpy as np

from raysim.listening.key import pair_order, preference_order, screen_orders, seal_of
from raysim.listening.kit import matched
from raysim.listening.rating_page import HIDDEN

RATE = 48_000
SEED = "0123456789abcdef" * 2


def sounds(names, seconds=1.0, n_channel=1, seed=5):
    """Give noise that decays, of another seed for each name, unmatched."""
    n = int(seconds * RATE)
    shape = 0.1 * np.exp(-np.arange(n) / (0.3 * n))
    return {
        name: shape * np.random.default_rng(seed + i).standard_normal((n_channel, n))
        for i, name in enumerate(names)
    }


def clips(*names, **form):
    """Give matched clips."""
    return matched(sounds(names, **form), RATE)


def pair_answers(n_hit=13, seed=SEED, **changed):
    """Give what a page saves of a sitting in which the first so many were right."""
    order = pair_order(seed, 16)
    names = ["old", "new"]
    answers = [s if i < n_hit else 1 - s for i, s in enumerate(order.strangers)]
    told = {
        "kind": "raysim pair sitting", "kit": "k", "layouts": names, "n_trial": 16,
        "seed": seed, "seal": seal_of(seed), "listener": "L", "sittings_begun": 1,
        "first": names[order.first], "second": names[1 - order.first],
        "strangers": list(order.strangers), "answers": answers, "n_hit": n_hit,
    }  # fmt: skip
    return told | changed


def rating_answers(reference=100, seed=SEED, **by_name):
    """Give what a page saves of one screen, by sound."""
    names = [HIDDEN, *by_name]
    ratings = [reference, *by_name.values()]
    one = {
        "names": names,
        "order": list(screen_orders(seed, [len(names)])[0]),
        "ratings": ratings,
    }
    return {
        "kind": "raysim rating sitting", "kit": "r", "seed": seed, "seal": seal_of(seed),
        "listener": "", "sittings_begun": 1, "screens": [one],
    }  # fmt: skip


def preference_answers(best, seed=SEED, n_layout=2, **changed):
    """Give the answers of one who always would rather have the layout of that name."""
    layouts = ["old", "new", "newer"][:n_layout]
    order = preference_order(seed, 1, n_layout)
    answers = [
        {"rather": int(layouts[right] == best), "clearer": -1, "words": "warm" * (t == 0)}
        for t, (_, _, right) in enumerate(order)
    ]
    return {
        "kind": "raysim preference sitting", "kit": "p", "seed": seed, "seal": seal_of(seed),
        "listener": "", "sittings_begun": 1, "layouts": layouts, "sounds": ["voice"],
        "order": order, "answers": answers,
    } | changed  # fmt: skip


def written(folder, *contents):
    """Write files of answers, or of other texts, and give their paths."""
    paths = [folder / f"{i}.json" for i in range(len(contents))]
    for path, content in zip(paths, contents, strict=True):
        text = content if isinstance(content, str) else json.dumps(content)
        path.write_text(text, encoding="utf-8")
    return paths
