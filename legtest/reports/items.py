"""Which items of a test report stand where on the page. Clause numbers from memory of the standards."""

from __future__ import annotations

from typing import NamedTuple


class Item(NamedTuple):
    """One item; anchor: the section of the page, "" where the record does not hold it."""

    name: str
    lab: str
    robot: str
    anchor: str
    where: str


_BY_HAND = "not in the record; to be written by hand below"

ITEMS = (
    Item("title, unique identification on every page, end", "7.8.2.1 a, d", "", "summary", "first page; page edges"),
    Item("laboratory, place, customer", "7.8.2.1 b, c, e", "", "", _BY_HAND),
    Item("item tested: serial number, configuration", "7.8.2.1 g", "robot, serial number", "summary", "Item tested"),
    Item("method", "7.8.2.1 f", "test cycle, path, speed", "tests", "Method of each test"),
    Item("date of the test", "7.8.2.1 i", "date of the test", "summary", "first page"),
    Item("date of issue", "7.8.2.1 j", "", "", "none: the report can be made again at any time"),
    Item("results relate to the item tested only", "7.8.2.1 l", "", "summary", "first page"),
    Item("results with units", "7.8.2.1 m", "table of results", "results", "Results"),
    Item("deviations, what was not tested", "7.8.2.1 n", "criteria left out", "open", "What is open"),
    Item("person authorising the report", "7.8.2.1 o", "test operator", "", _BY_HAND),
    Item("conditions of the test", "7.8.3.1 a", "load, mounting, warm-up", "summary", "Attendance and conditions"),
    Item("statement of conformity, decision rule", "7.8.3.1 b, 7.8.6", "", "summary", "Decision rule; Results"),
    Item("measurement uncertainty", "7.8.3.1 c", "measuring system", "tests", "Uncertainty of each test"),
    Item("instruments and their calibration", "7.8.4 (in part)", "instruments", "summary", "Instruments"),
    Item("opinions and interpretations", "7.8.7", "", "", "none are given"),
)  # fmt: skip
