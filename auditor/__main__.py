"""``python -m auditor``."""

from auditor.cli import main

raise SystemExit(main())
