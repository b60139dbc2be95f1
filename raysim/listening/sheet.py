"""Paper for a listening test: a sheet to fill in, and the sealed key to mark it by.

A helper plays the sounds from the page, opened with the secret of the key; the listener,
who does not see the screen, writes. The sheet bears the hash of the secret, so the key can
be shown to be the one that was promised.
"""

import json
from typing import Any

import raysim
from raysim.listening.chance import outcomes, passing, percent
from raysim.listening.key import pair_order, preference_order, screen_orders, seal_of
from raysim.listening.kit_page import FEW, KitPage, template
from raysim.listening.rating_page import WORDS

_COLUMNS = 8


def pair_key(kit: KitPage, seed: str) -> dict[str, Any]:
    """Give the key of a paper sitting with two layouts."""
    order = pair_order(seed, kit.n_trial)
    called = ("the first", "the second")
    return _key(kit, seed) | {
        "the first": kit.layouts[order.first],
        "the second": kit.layouts[1 - order.first],
        "strangers": [called[side] for side in order.strangers],
    }


def rating_key(kit: KitPage, seed: str) -> dict[str, Any]:
    """Give the key of a paper sitting with many layouts."""
    orders = screen_orders(seed, [len(one) for one in kit.screens])
    return _key(kit, seed) | {
        "screens": [
            {f"sound {i + 1}": of_screen[clip] for i, clip in enumerate(order)}
            for of_screen, order in zip(kit.screens, orders, strict=True)
        ]
    }


def preference_key(kit: KitPage, seed: str) -> dict[str, Any]:
    """Give the key of a paper sitting of comparisons."""
    order = preference_order(seed, len(kit.screens), len(kit.layouts))
    return _key(kit, seed) | {
        "comparisons": [
            {"the left one": kit.layouts[left], "the right one": kit.layouts[right]}
            for _, left, right in order
        ]
    }


def _key(kit: KitPage, seed: str) -> dict[str, Any]:
    return {
        "kind": "raysim sealed key",
        "do_not_read": "before the last answer is written",
        "raysim_version": raysim.__version__,
        "kit": kit.name,
        "seal": seal_of(seed),
        "address": f"kit.html#seed={seed}",
        "seed": seed,
    }


def key_text(key: dict[str, Any]) -> str:
    """Give a key as the text of its file; what it unseals comes after a gap."""
    text = json.dumps(key, indent=1, ensure_ascii=False)
    return text.replace('\n "seed"', "\n" * 60 + ' "seed"', 1) + "\n"


def pair_sheet(kit: KitPage, seed: str) -> str:
    """Make the sheet of a sitting with two layouts, as HTML to be printed."""
    trials = list(range(1, kit.n_trial + 1))
    marks = [
        {"n_hit": o.n_hit, "share": percent(o.p), "heard": "heard" if o.is_heard else "–"}
        for o in outcomes(kit.n_trial)
        if o.n_hit >= kit.n_trial // 2
    ]
    page = {
        "title": "Which one is the stranger? Answer sheet",
        "heading": "Which one is the stranger?",
        "kind": "pair",
        "kit": kit.name,
        "seal": seal_of(seed),
        "columns": [trials[i : i + _COLUMNS] for i in range(0, len(trials), _COLUMNS)],
        "n_trial": kit.n_trial,
        "marks": marks,
        "passing": passing(kit.n_trial),
        "few": FEW,
    }
    return template("sheet.html", page=page)


def preference_sheet(kit: KitPage, seed: str) -> str:
    """Make the sheet of a sitting of comparisons, as HTML to be printed."""
    page = {
        "title": "Which would you rather work with? Answer sheet",
        "heading": "Which would you rather work with?",
        "kind": "preference",
        "kit": kit.name,
        "seal": seal_of(seed),
        "n_trial": kit.n_trial,
        "few": FEW,
    }
    return template("sheet.html", page=page)


def rating_sheet(kit: KitPage, seed: str) -> str:
    """Make the sheet of a sitting with many layouts, as HTML to be printed."""
    page = {
        "title": "How good does each of them sound? Answer sheet",
        "heading": "How good does each of them sound?",
        "kind": "rating",
        "kit": kit.name,
        "seal": seal_of(seed),
        "screens": [len(one) for one in kit.screens],
        "words": WORDS[::-1],
        "few": FEW,
    }
    return template("sheet.html", page=page)
