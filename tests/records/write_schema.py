"""Write the published schemas again: python tests/records/write_schema.py"""

from __future__ import annotations

import json
from pathlib import Path

ROOT = Path(__file__).resolve().parents[2]


def texts() -> dict[Path, str]:
    """What the published files should hold."""
    from legtest.records.schema import journal_schema, run_schema

    made = {"journal": journal_schema(), "run": run_schema()}
    return {
        ROOT / f"docs/reference/{name}.schema.json": json.dumps(schema, indent=1) + "\n"
        for name, schema in made.items()
    }


if __name__ == "__main__":
    for path, text in texts().items():
        path.write_text(text)
