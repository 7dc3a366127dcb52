"""The observer: judges a leg's bus from outside, by CiA 301, CiA 402 and the invariants of the safety case alone."""

from legtest.campaign.observer.plan import AxisPlan, WirePlan
from legtest.campaign.observer.stops import StopTimes
from legtest.campaign.observer.watch import Observer

__all__ = ["AxisPlan", "Observer", "StopTimes", "WirePlan"]
