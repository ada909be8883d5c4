"""Entry: ``python -m geotools`` is the command ``slipmain``."""

from __future__ import annotations

from geotools.cli import main

if __name__ == "__main__":
    main()
