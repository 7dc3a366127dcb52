"""All report files of a run, beside its record."""

from __future__ import annotations

from pathlib import Path

from legtest.records.files import replace
from legtest.records.reading import Run


def write_reports(run: Run) -> dict[str, Path]:
    """Write junit.xml, summary.md and report.html into the run's folder; their paths by name.

    Made again from the same record they are byte for byte the same. RecordError when one cannot be written.
    """
    from legtest.reports.html import report_html
    from legtest.reports.junit import junit_xml
    from legtest.reports.summary import summary_md

    written = {}
    for name, make in (("junit.xml", junit_xml), ("summary.md", summary_md), ("report.html", report_html)):
        replace(run.folder / name, make(run))
        written[name] = run.folder / name
    return written
