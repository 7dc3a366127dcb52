"""All parsers that are fuzzed."""

from __future__ import annotations

from fuzz_parsers import BASE
from fuzz_records import RECORDS
from fuzz_trusted import TRUSTED

PARSERS = (*BASE, *RECORDS, *TRUSTED)
