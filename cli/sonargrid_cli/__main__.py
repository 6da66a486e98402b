"""``python -m sonargrid_cli`` does what the command ``sonargrid`` does."""

import sys

from sonargrid_cli.main import main

sys.exit(main())
