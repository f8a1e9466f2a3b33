"""``python -m auditor``."""

from auditor.cli.parser import main

raise SystemExit(main())
