"""What a bench is ready for: the grade reached, what stands in the way of the next, the cheapest step towards it."""

from legtest.description.grade import Grade
from legtest.readiness.assessment import Found, Readiness, assess, capped
from legtest.readiness.needs import Effort, Refusal

__all__ = ["Effort", "Found", "Grade", "Readiness", "Refusal", "assess", "capped"]
