"""All that a report is made from, gathered and judged once."""

from collections.abc import Mapping
from dataclasses import dataclass

from raysim.compare.comparison import Comparison
from raysim.decision.judgement import Verdict, verdicts
from raysim.decision.spared import Spared, spared
from raysim.planning.book import Book
from raysim.planning.checks import Finding as PlanFinding
from raysim.report.facts import RoomFacts
from raysim.store.file import Results


@dataclass(frozen=True, slots=True)
class Evidence:
    """All that a report is made from."""

    results: Results
    room: RoomFacts
    comparison: Comparison
    book: Book
    verdicts: tuple[Verdict, ...]
    spared: Mapping[str, tuple[Spared, ...]]  # by formula, where it was not traced

    @property
    def first(self) -> Verdict:
        """The one that the report follows: usual state, first aim."""
        return self.verdicts[0]


def evidence(results: Results, room: RoomFacts, comparison: Comparison, book: Book) -> Evidence:
    """Gather what a report is made from, and judge it."""
    judged = verdicts(comparison, book)
    first = judged[0]
    asked = [
        c
        for c in first.candidates
        if c.plan is not None
        and (c.name == first.shown.name or any(_is_over(f) for f in c.plan.findings))
        and not first.judged.worth.get(c.name)
    ]
    left_out = {
        c.name: spared(book.scene, c.plan, first.judged.reached.aim)
        for c in asked
        if c.plan is not None
    }
    return Evidence(results, room, comparison, book, judged, left_out)


def _is_over(finding: PlanFinding) -> bool:
    return finding.rule == "budget" and finding.kind == "forbidden"
