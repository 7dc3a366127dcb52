"""Check the documents: links lead somewhere, anchors exist, examples are valid Python or YAML, nothing is left open.

Run by `make docs`; prints every problem as file:line and exits 1 when there is one.
"""

from __future__ import annotations

import re
import sys
from collections.abc import Iterator
from pathlib import Path

import yaml

ROOT = Path(__file__).resolve().parent.parent
LINK = re.compile(r"\[[^\]]*\]\(([^)\s]+)\)")
FENCE = re.compile(r"^```(\w*)$")
HEADING = re.compile(r"^#{1,6} (.+)$")


def documents() -> list[Path]:
    """README, DEVELOPERS and everything under docs."""
    return [ROOT / "README.md", ROOT / "DEVELOPERS.md", *sorted((ROOT / "docs").rglob("*.md"))]


def anchors(path: Path) -> set[str]:
    """The fragments that a Markdown file's headings make."""
    found = (HEADING.match(line) for line in path.read_text(encoding="utf-8").splitlines())
    titles = (match[1].lower().replace("`", "") for match in found if match)
    return {re.sub(r"[^\w\- ]", "", title).replace(" ", "-") for title in titles}


def link_problem(page: Path, target: str) -> str:
    """Why a link leads nowhere, or nothing. Addresses outside the repository are not visited."""
    if re.match(r"[a-z]+:", target):
        return ""
    name, _, fragment = target.partition("#")
    there = (page.parent / name).resolve() if name else page
    if not there.exists():
        return f"link to {target}: there is no such file"
    if fragment and fragment not in anchors(there):
        return f"link to {target}: no heading makes #{fragment}"
    return ""


def example_problem(language: str, text: str) -> str:
    """Why an example is not valid in its language, or nothing."""
    try:
        if language == "python":
            compile(text, "example", "exec")
        elif language == "yaml":
            yaml.safe_load(text)
    except (SyntaxError, yaml.YAMLError) as error:
        return f"{language} example: {error}".replace("\n", " ")
    return ""


def problems(page: Path) -> Iterator[str]:
    """Everything wrong in one document."""
    where = page.relative_to(ROOT)
    language, begun, example = None, 0, []
    for number, line in enumerate(page.read_text(encoding="utf-8").splitlines(), 1):
        fence = FENCE.match(line)
        if language is None and fence:
            language, begun, example = fence[1], number, []
        elif language is not None and fence:
            if said := example_problem(language, "\n".join(example)):
                yield f"{where}:{begun}: {said}"
            language = None
        elif language is not None:
            example.append(line)
        else:
            yield from (f"{where}:{number}: {said}" for t in LINK.findall(line) if (said := link_problem(page, t)))
            if "<!-- open:" in line:
                yield f"{where}:{number}: left open: {line.strip()}"
    if language is not None:
        yield f"{where}:{begun}: the example has no end"


def main() -> int:
    """Print every problem; 0 when there is none."""
    pages = documents()
    found = [problem for page in pages for problem in problems(page)]
    print("\n".join(found) or f"{len(pages)} documents: links, anchors and examples are good")
    return 1 if found else 0


if __name__ == "__main__":
    sys.exit(main())
