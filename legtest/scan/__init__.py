"""What is on a CAN bus: listened to, then asked with reads alone, and what is wrong with it, named."""

from legtest.scan.findings import Expected, Finding
from legtest.scan.proposal import proposal
from legtest.scan.run import Scan, scan_bus

__all__ = ["Expected", "Finding", "Scan", "proposal", "scan_bus"]
