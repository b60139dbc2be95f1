"""What the page's numbers cannot tell, and what to take care of: the same on every page."""

from raysim.report.numbers import NOTHING, frequency

CAUTIONS = (
    "This is a comparison, not a certificate: no structural, fire or electrical advice. Local "
    "rules, and the person responsible for the building, decide.",
    "Foam, fabric and wood burn. Ask for the written reaction-to-fire class of every facing "
    "and filling, above all where the public comes in.",
    "Keep escape windows, doors, detectors, sprinklers, heaters, flues, sockets and lamps "
    "free.",
    "Mineral fibre irritates skin, eyes and lungs: cover skin, wear goggles and a suitable "
    "mask, wrap every side. Old boards and textured ceilings may hold asbestos: have them "
    "tested before drilling.",
    "What hangs overhead belongs in the structure, on two independent fixings and a safety "
    "tie. Ask about floor loads in a loft.",
    "Leave air behind what stands on a cold or damp wall, and look behind it twice a year. "
    "Closed booths and tents need fresh air and a free way out; never shut off the air of a "
    "boiler or stove.",
    "Begin test sounds quietly and protect your ears; local rules on noise say how loud they "
    "may be, and for how long.",
)


def limits_of(transition_hz: float) -> tuple[str, ...]:
    """Say what the model leaves out, for a room with this transition frequency."""
    here = frequency(transition_hz)
    here = "not known here" if here == NOTHING else f"{here} here"
    return (
        "It ranks better than it predicts. Two published tables can differ by a factor of "
        "three for the absorption of one wall; with table values, decay times off by 10 to "
        "30 % are usual in a small room (judgement, no source). The ± shown is the chance of "
        "the calculation alone.",
        f"Below the transition frequency, {here} (2000 √(T/V), "
        "M. R. Schroeder 1996), a room rings at single modes, each in its own time. Decay "
        "times of octaves there are grey or hatched: hints, not findings.",
        "Only the bass, where it was solved as waves, bends round edges and passes through "
        "cloth. Elsewhere that is left out: behind a table or a screen the model is too quiet, "
        "and what lies behind a curtain is not to be trusted.",
        "A wall whose layers are not known reflects by one absorption coefficient, whatever "
        "the angle; what it does to the phase of the bass is a choice of ours.",
        "It says nothing about noise from outside or to the neighbours: that needs mass and "
        "seals, not absorbers.",
    )
