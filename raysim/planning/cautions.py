"""What can hurt someone, one text per hazard, for the items that carry it.

Every text ends where our competence does: local codes, insurers and licensed people
decide. Sources stand beside the texts; most figures are those of one country.
"""

from typing import Final

#: Clearances in metres, where a zone does not state its own.
CLEAR_M: Final = {
    # 3 feet, the usual advice of fire services (read on their public pages)
    "heater": 0.9,
    # common practice, no source: free air round a boiler, its flue and grille
    "flue": 0.5,
    # common practice, no source: frame and handle free; the space before it is a zone too
    "escape": 0.1,
    "door": 0.05,
    "detector": 0.6,
    "socket": 0.1,
    "passage": 0.0,
    "travel": 0.0,
    "access": 0.6,
    # 18 inches below the head (a trade page); how far to the side is common practice
    "sprinkler": 0.457,
}

#: Depth of air behind an absorber on a damp or cold outer wall; common practice, no source.
DAMP_GAP_M: Final = 0.05

CAUTIONS: Final = {
    "foam": (
        "Foam burns: treat every flexible polyurethane foam as combustible, flame-retarded "
        "or not. It usually needs a barrier before it; codes and insurers decide."
    ),
    "cloth": (
        "Cloth and felt burn unless a written class says otherwise. In a shared building ask "
        "the person responsible for fire safety before hanging any."
    ),
    "fibre": (
        "Mineral wool irritates skin, eyes and throat: long sleeves, gloves, goggles, a mask "
        "of class FFP2 or P2, damp sweeping, and cloth round all sides. The maker's safety "
        "sheet and local rules on dust and waste say more."
    ),
    "overhead": (
        "Overhead: fix into the structure, not into board, at two or more independent points, "
        "with a safety tie, for at least four to five times the weight; two people and a "
        "stable ladder. If unsure, ask a licensed builder."
    ),
    "weight": (
        "The wall and the plug set what a fixing holds, not the cleat: use the data sheet, and "
        "choose hooks rated well above the weight."
    ),
    "tipping": (
        "What stands free can tip: give it feet at least a third of its height deep, or tie "
        "it back, above all where children are. Ask whoever answers for the building if the "
        "public comes in."
    ),
    "floor": (
        "A loft floor may bear no more than 0.5 to 1 kPa (50 kg to 100 kg on 1 m²). "
        "Ask someone licensed before putting stacks or books there."
    ),
    "heater": (
        "Keep 0.9 m between a heater and anything that burns, and air free round radiators, "
        "boilers, flues and grilles. Never bury sockets, dimmers, power supplies or lamps. "
        "Local codes may ask for more; electricity and gas are for people licensed for them."
    ),
    "escape": (
        "Never cover a window or door that people escape by, nor block its swing; local codes "
        "set its size."
    ),
    "detector": (
        "Nothing near a smoke detector or sprinkler, nor below it, without leave of whoever "
        "answers for it."
    ),
    "damp": (
        "An absorber on a cold or damp outer wall makes the wall behind it colder: leave at "
        "least 50 mm of ventilated air and look behind it twice a year. A wet wall is for a "
        "licensed builder first."
    ),
    "drilling": (
        "Before drilling: old textured ceilings and cement sheets may hold asbestos, have them "
        "tested; cables and pipes run in walls, find them. Leave what you find to people "
        "licensed for it."
    ),
    "landlord": (
        "What you do not own: get consent in writing for anything beyond a nail. Glue does not "
        "come off."
    ),
    "air": (
        "A sealed small room grows hot and stale within half an hour: keep a path for fresh "
        "air and a door that opens outwards, and lock nobody in. Never shut off the air of a "
        "boiler or stove; whoever is licensed for it decides what it needs."
    ),
    "noise": (
        "Absorbers do not stop noise, in or out; that takes mass, seals or a quieter source."
    ),
}
