"""What a room may be for, as the key ``use`` of a scene says it."""

USES = ("voice", "listening", "ensemble")
