"""What several tests of whole runs look at."""

import pytest

import raysim.spread.units
from raysim.tracing import trace_source


@pytest.fixture
def traced(monkeypatch):
    """Give the list of sources that are traced while a test runs."""
    names = []

    def counted(scene, room, source, *more):
        names.append(source.name)
        return trace_source(scene, room, source, *more)

    monkeypatch.setattr(raysim.spread.units, "trace_source", counted)
    return names
