"""``raysim treatments``: list what can be put up."""

import argparse

from raysim.commands.words import DONE, Commands, say


def add(commands: Commands) -> None:
    """Say what the command takes."""
    parser = commands.add_parser(
        "treatments", help="list what can be put up, with sizes and prices"
    )
    parser.set_defaults(run=run_treatments)


def run_treatments(_arguments: argparse.Namespace) -> int:
    """List what can be put up."""
    from dataclasses import replace

    from raysim.planning.bill import price_of_one
    from raysim.planning.book_table import treatment_table
    from raysim.scene.prices import stock_prices
    from raysim.scene.treatments import treatments_catalogue

    treatments = treatments_catalogue()
    prices = stock_prices()
    each = {
        name: price_of_one(replace(one, size_m=one.size_m or (1.0, 1.0)), prices)
        for name, one in treatments.items()
    }
    currency = next(iter(prices.goods.values())).currency
    known = {name: price for name, price in each.items() if price is not None}
    say(treatment_table(treatments.values(), known, currency))
    return DONE
