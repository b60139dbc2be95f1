"""Let ``python -m raysim`` do what the ``raysim`` command does."""

from raysim.cli import main

raise SystemExit(main())
