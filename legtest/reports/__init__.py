"""Projections of a finished run record: console table, JUnit XML, HTML, Markdown."""
