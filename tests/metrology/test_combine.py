"""Against the worked examples of JCGM 100 and laws of the combination."""

from math import hypot, inf, isnan, nan, radians, sqrt

import numpy as np
import pytest
import scipy.stats
from hypothesis import given
from hypothesis import strategies as st
from metrology_references import load

from legtest.metrology.combine import (
    certificate,
    coverage_factor,
    effective_dof,
    expanded,
    measured,
    measurement,
    rectangular,
    repeats,
    resolution,
)
from legtest.metrology.measurement import BudgetLine

GUM = load("uncertainty/gum-examples.yaml")
LINE = BudgetLine("scatter", 0.01, 9, "A")


def of(budget, **more):
    return measurement("backlash", "knee", 0.005, budget, reference="internal", **more)


def test_jcgm_100_g_4_1():
    entry = GUM["G_4_1"]  # inputs recalled, recomputed; the guide prints 19.0 and 2.09, full precision is 18.9987
    lines = [BudgetLine("x", u, dof) for u, dof in zip(entry["relative_u_percent"], entry["dof"], strict=True)]
    m = of(lines)
    assert m.u == pytest.approx(entry["printed"]["u_c"], abs=5e-3)
    assert m.dof == pytest.approx(entry["results"]["dof_eff"], abs=1e-3)
    assert coverage_factor(m.dof, 0.95) == pytest.approx(entry["printed"]["k95"], abs=5e-3)
    assert expanded(m, 0.95) == pytest.approx(entry["printed"]["U95"], abs=0.06)


def test_jcgm_100_h_1_end_gauge():
    # contributions in nm and their degrees of freedom (JCGM 100 H.1, structure read, printed results recalled)
    x = GUM["H_1"]["inputs"]
    length = x["l_S"]["value"]
    u_d = hypot(x["d0"]["u"], x["d1"]["u"], x["d2"]["u"])
    dof_d = effective_dof([BudgetLine(k, x[k]["u"], x[k]["dof"]) for k in ("d0", "d1", "d2")])
    assert dof_d == pytest.approx(GUM["H_1"]["results"]["dof_d"], abs=1e-4)
    lines = [
        BudgetLine("l_S", x["l_S"]["u"], x["l_S"]["dof"]),
        BudgetLine("d", u_d, dof_d),
        BudgetLine("d_alpha", length * 0.1 * rectangular("", x["d_alpha"]["half_width"]).u, x["d_alpha"]["dof"]),
        BudgetLine("d_theta", length * 11.5e-6 * rectangular("", x["d_theta"]["half_width"]).u, x["d_theta"]["dof"]),
    ]
    m = of(lines)
    assert m.u == pytest.approx(31.7, abs=0.1)
    assert m.dof == pytest.approx(16.7, abs=0.2)
    # the guide cuts the degrees of freedom to 16 before the look-up; G.4.2 allows to interpolate instead, as we do
    assert coverage_factor(16, 0.99) * m.u == pytest.approx(GUM["H_1"]["printed"]["U99"], abs=1)
    assert expanded(m, 0.99) == pytest.approx(scipy.stats.t.ppf(0.995, m.dof) * m.u, rel=1e-9)


def test_type_b_divisors():
    assert rectangular("", 1.0).u == pytest.approx(1 / sqrt(3))  # JCGM 100 4.3.7
    assert resolution("", 1.0).u == pytest.approx(0.28868, abs=1e-5)  # q / sqrt(12)
    assert certificate("", 1.0).u == 0.5  # JCGM 100 4.3.3


def test_repeats_is_the_standard_deviation_of_the_mean():
    volts = GUM["H_2"]["data"]["V_volt"]  # JCGM 100 H.2, u of the mean printed there as 0.0032
    line = repeats("readings", volts)
    assert line.u == pytest.approx(GUM["H_2"]["u_means"][0], rel=1e-5)
    assert (line.dof, line.evaluation) == (4, "A")


@given(st.lists(st.tuples(st.floats(1e-6, 1e3), st.floats(1, 100)), min_size=1, max_size=8))
def test_combined_u_and_dof_stay_within_their_bounds(lines):
    m = of([BudgetLine("x", u, dof) for u, dof in lines])
    assert max(u for u, _ in lines) <= m.u * (1 + 1e-12)
    assert m.u <= sum(u for u, _ in lines) * (1 + 1e-12)
    # Welch-Satterthwaite lies between the smallest dof and the sum of all (JCGM 100 G.4)
    assert min(dof for _, dof in lines) * (1 - 1e-9) <= m.dof <= sum(dof for _, dof in lines) * (1 + 1e-9)


def test_a_type_b_budget_has_infinite_degrees_of_freedom():
    assert of([resolution("encoder", 0.01)]).dof == inf


@pytest.mark.parametrize(("budget", "words"), [([], "is empty"), ([BudgetLine("x", 0.0)], "adds up to zero")])
def test_u_is_never_zero_silently(budget, words):
    with pytest.raises(ValueError, match=words):
        of(budget)


@pytest.mark.parametrize(
    "line", [BudgetLine("x", nan), BudgetLine("x", -1.0), BudgetLine("x", 1.0, 0), BudgetLine("x", inf)]
)
def test_a_line_that_is_no_uncertainty_is_refused(line):
    with pytest.raises(ValueError, match="'x'"):
        of([line])


def test_an_invalid_measurement_may_have_no_budget():
    m = measurement("backlash", "knee", nan, [], reference="internal", invalid="no contact found")
    assert isnan(m.u)
    assert m.invalid == "no contact found"


def test_own_quantities_name_their_kind():
    with pytest.raises(ValueError, match="say its kind"):
        measurement("sag", "leg", 0.1, [LINE], reference="internal")
    assert measurement("sag", "leg", 0.1, [LINE], reference="internal", kind="length").kind == "length"
    with pytest.raises(ValueError, match="of kind angle, not length"):
        of([LINE], kind="length")
    with pytest.raises(ValueError, match="no kind 'lenght'"):
        measurement("sag", "leg", 0.1, [LINE], reference="internal", kind="lenght")


def test_only_plain_numbers_leave():
    m = measurement(
        "backlash", "knee", np.float64(1), [BudgetLine("x", np.float64(1), np.int64(3))], reference="internal",
        covariates={"temperature_C": np.float64(20)},
    )  # fmt: skip
    numbers = [m.value, m.u, m.dof, m.budget[0].u, m.budget[0].dof, m.covariates["temperature_C"]]
    assert [type(x) for x in numbers] == [float] * 6


def test_measured_takes_display_units():
    m = measured("sag", 3.1, u=0.2, unit="mm", dof=4)
    assert (m.value, m.u, m.dof, m.kind, m.reference) == (0.0031, 0.0002, 4, "length", "external")
    assert measured("backlash", 0.5, u=0.1, unit="deg", subject="knee").value == pytest.approx(radians(0.5))
    assert measured("loss", 2.0, u=0.1, unit="%").value == 0.02
    assert measured("gain", 2.0, u=0.1, unit="1").value == 2.0


@pytest.mark.parametrize(
    ("arguments", "words"),
    [
        ({"u": 0.0, "unit": "mm"}, "must be positive"),
        ({"u": nan, "unit": "mm"}, "must be positive"),
        ({"u": 0.1, "unit": "parsec"}, "not a unit"),
    ],
)
def test_measured_refuses(arguments, words):
    with pytest.raises(ValueError, match=words):
        measured("sag", 3.1, **arguments)
    with pytest.raises(ValueError, match="finite"):
        measured("sag", nan, u=0.1, unit="mm")


def test_measured_refuses_the_wrong_unit_for_a_known_quantity():
    with pytest.raises(ValueError, match=r"'N\*m' is not a unit of angle"):
        measured("backlash", 0.5, u=0.1, unit="N*m")


@pytest.mark.parametrize("coverage", [0, 1, 95])
def test_coverage_is_a_probability(coverage):
    with pytest.raises(ValueError, match="coverage"):
        expanded(of([LINE]), coverage)
