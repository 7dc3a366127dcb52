"""Against JCGM 106, ILAC-G8, ISO 14253-1 and RP-19; uncertainty/decision-rules.yaml says how sure each figure is."""

from math import inf, nan, sqrt

import numpy as np
import pytest
import scipy.stats
from hypothesis import given
from hypothesis import strategies as st
from metrology_references import load

from legtest.description.model import DecisionRule, Limit
from legtest.metrology.combine import expanded, measurement, repeats
from legtest.metrology.decision import classify, decide, p_conform, rule_text
from legtest.metrology.distributions import normal_cdf
from legtest.metrology.measurement import BudgetLine
from legtest.metrology.verdict import Word

RULES = load("uncertainty/decision-rules.yaml")
JCGM = RULES["JCGM_106"]["examples"]
GUARDED, SIMPLE = DecisionRule("guarded", 0.95), DecisionRule("simple", 0.95)


def value(y, *lines, **more):
    budget = [line if isinstance(line, BudgetLine) else BudgetLine("sensor", line) for line in lines]
    return measurement("yield_ratio", "knee", y, budget, reference="internal", **more)


def limits(low=None, high=None):
    return Limit(low, high, "ratio", "leg.yaml:31")


def guard(w, u):
    """The guarded rule whose guard band w = U, for a normal u."""
    return DecisionRule("guarded", 2 * normal_cdf(w / u) - 1) if w else SIMPLE


@pytest.mark.parametrize("name", ["zener", "bursting", "viscosity"])
def test_probability_of_conformity_after_jcgm_106(name):
    x = JCGM[name]
    p = p_conform(value(x["y"], x["u"]), limits(x.get("TL"), x.get("TU")))
    assert p == pytest.approx(x["p_c"], abs=1e-4)
    assert p == pytest.approx(x["printed"], abs=6e-3 if name == "viscosity" else 6e-4)


@pytest.mark.parametrize("dof", [1, 4, 30])
def test_few_repeats_make_the_probability_that_of_t(dof):
    m = value(0.9, BudgetLine("repeats", 0.05, dof, "A"))
    wanted = scipy.stats.t.cdf((1 - 0.9) / 0.05, dof) - scipy.stats.t.cdf((0.7 - 0.9) / 0.05, dof)
    assert p_conform(m, limits(0.7, 1.0)) == pytest.approx(wanted, abs=1e-9)


def test_rejection_of_a_speed_after_jcgm_106():
    x = JCGM["speed"]  # clause 8.3.3: rejected where the probability of being above the limit is 99.9 %
    y = x["rejection_limit"]
    p = p_conform(value(y, x["relative_u"] * y), limits(None, x["TU"]))
    assert p == pytest.approx(1 - x["confidence"], abs=1e-5)


@pytest.mark.parametrize("row", RULES["constructed_cases"]["rows"], ids=lambda row: f"y {row['y']} w {row['w']}")
def test_constructed_cases(row):
    # the last case touches the limit exactly: the guard band is widened by a rounding error so that it stays a touch
    limit, rule = limits(row["TL"], row["TU"]), guard(row["w"] * (1 + 1e-9), row["u"])
    verdict = decide(value(row["y"], row["u"]), limit, rule)
    assert verdict.word == row["verdict_guarded_both_ways"]
    assert verdict.p_conform == pytest.approx(row["p_c"], abs=1e-4)


@pytest.mark.parametrize("row", RULES["ILAC_G8_09_2019"]["rows"], ids=lambda row: row["rule"])
def test_false_accept_at_the_limit_is_the_normal_tail(row):
    # ILAC-G8 table 1, recalled; U = 2 u: of legs exactly on the limit, the share beyond the guard band is accepted
    w = {"0": 0.0, "-U": 2.0}[row["w"]] if row["w"] in ("0", "-U") else 2 * float(row["w"].removesuffix(" U"))
    word = Word.FAIL if row["w"] == "-U" else Word.PASS  # rejected only beyond TL + U: that is our FAIL
    rule = GUARDED if w else SIMPLE
    seen = np.linspace(-9, 9, 36_001)
    decided = np.array([classify(y, w, limits(None, 0.0), rule) is word for y in seen.tolist()])
    share = (np.exp(-(seen**2) / 2) * decided).sum() / np.sqrt(2 * np.pi) * (seen[1] - seen[0])
    assert share == pytest.approx(row["computed"], rel=0.01)


@pytest.mark.parametrize(
    "row", RULES["ISO_14253_1_2017"]["guard_factors"], ids=lambda row: str(row["max_specific_risk"])
)
def test_specific_risk_at_the_acceptance_limit(row):
    # ISO 14253-1: with guard band w the risk of a value on the acceptance limit is max_specific_risk
    w = row["w_over_u"]
    assert 1 - p_conform(value(1 - w, 1.0), limits(None, 1.0)) == pytest.approx(row["max_specific_risk"], rel=1e-3)


def shares(process, u, limit, rule, n=60_000):
    """Shares of false accepts and false rejects among true values drawn from the process."""
    rng = np.random.default_rng(106)
    true = process(rng, n)
    seen = true + rng.normal(0, u, n)
    U = expanded(value(0.0, u), rule.coverage)
    low = -inf if limit.low is None else limit.low
    good = (low <= true) & (true <= limit.high)
    accepted = np.array([classify(y, U, limit, rule) is Word.PASS for y in seen.tolist()])
    return (~good & accepted).mean(), (good & ~accepted).mean(), 4 / sqrt(n)


def test_global_risk_of_resistors_after_jcgm_106():
    x = JCGM["resistor"]  # clause 9.5.3, inputs recalled, results computed by quadrature and bivariate normal
    false_accept, false_reject, four_sigma = shares(
        lambda rng, n: rng.normal(1500, 0.12, n), 0.04, limits(1499.8, 1500.2), SIMPLE
    )
    assert false_accept == pytest.approx(x["R_C"], abs=four_sigma * sqrt(x["R_C"]))
    assert false_reject == pytest.approx(x["R_P"], abs=four_sigma * sqrt(x["R_P"]))


@pytest.mark.parametrize("row", RULES["RP_19_table"]["rows"], ids=lambda row: f"{row['p_conform']:.0%} conform")
def test_global_risk_of_the_rp_19_table(row):
    # NCSLI RP-19 draft: normal process, four times as wide as u, limits +-1, simple acceptance
    false_accept, false_reject, four_sigma = shares(
        lambda rng, n: rng.normal(0, row["sigma_process"], n), row["u"], limits(-1.0, 1.0), SIMPLE, n=20_000
    )
    for got, percent in ((false_accept, row["R_C_percent"]), (false_reject, row["R_P_percent"])):
        assert got == pytest.approx(percent / 100, abs=four_sigma * sqrt(percent / 100))


@pytest.mark.parametrize("kind", ["simple_acceptance", "guarded"])
def test_global_risk_of_ball_bearings_after_jcgm_106(kind):
    x = JCGM["ball_bearing"]  # clause 9.5.4; for the guarded case every value not passed counts as rejected
    wanted = x[kind]
    rule = SIMPLE if kind == "simple_acceptance" else guard(wanted["guard_band"], 0.25)
    risk = wanted.get("R_C", wanted.get("target_R_C"))
    false_accept, false_reject, four_sigma = shares(
        lambda rng, n: rng.gamma(4, 1 / 4, n), 0.25, limits(None, 2.0), rule
    )
    assert false_accept == pytest.approx(risk, abs=four_sigma * sqrt(risk))
    assert false_reject == pytest.approx(wanted["R_P"], abs=four_sigma * sqrt(wanted["R_P"]))


def test_five_repeats_of_a_leg_on_the_limit_pass_and_fail_in_2_5_percent_each():
    # theory: value +- t u is a confidence interval, so each tail holds (1 - 0.95) / 2 although u comes from 5 repeats
    rng, n = np.random.default_rng(5), 10_000
    words = []
    for row in rng.normal(1.0, 0.1, (n, 5)).tolist():
        m = value(sum(row) / 5, repeats("repeats", row))
        words.append(classify(m.value, expanded(m, 0.95), limits(None, 1.0), GUARDED))
    four_sigma = 4 * sqrt(0.025 * 0.975 / n)
    assert words.count(Word.PASS) / n == pytest.approx(0.025, abs=four_sigma)
    assert words.count(Word.FAIL) / n == pytest.approx(0.025, abs=four_sigma)


finite = st.floats(-10, 10)


@given(finite, st.floats(1e-3, 5), st.floats(-3, 0), st.floats(0, 3))
def test_laws_of_both_rules(y, u, low, high):
    m, limit = value(y, u), limits(low, high)
    guarded, simple = decide(m, limit, GUARDED), decide(m, limit, SIMPLE)
    assert simple.word in (Word.PASS, Word.FAIL)
    if guarded.word is not Word.INCONCLUSIVE:
        assert guarded.word is simple.word
    if guarded.word is Word.PASS:
        assert guarded.p_conform >= 0.95 - 1e-9
    if guarded.word is Word.FAIL:
        assert guarded.p_conform <= 0.025 + 1e-9
    if guarded.word is Word.INCONCLUSIVE:
        assert "U must come below" in guarded.settle or "lies on the limit" in guarded.settle


@given(finite, st.floats(1e-3, 5), st.floats(1e-3, 5))
def test_a_smaller_uncertainty_never_turns_a_verdict_round(y, u1, u2):
    small, large = sorted((u1, u2))
    limit = limits(-1.0, 1.0)
    sure, unsure = (decide(value(y, u), limit, GUARDED).word for u in (small, large))
    assert unsure in (sure, Word.INCONCLUSIVE)


@pytest.mark.parametrize("y", [nan, inf, -inf])
def test_a_value_that_is_not_finite_is_invalid(y):
    verdict = decide(value(y, 0.1), limits(0.0, 1.0), GUARDED)
    assert (verdict.word, verdict.p_conform) == (Word.INVALID, None)


def test_an_invalid_measurement_is_invalid_whatever_its_value():
    for limit in (limits(0.0, 1.0), None):
        verdict = decide(value(0.5, 0.01, invalid="3 of 100 cycles missed"), limit, GUARDED)
        assert verdict.word is Word.INVALID
        assert verdict.settle == "measure again: 3 of 100 cycles missed"


def test_without_limits_nothing_is_judged():
    for limit in (None, limits()):
        verdict = decide(value(0.5, 0.01), limit, GUARDED)
        assert (verdict.word, verdict.p_conform, verdict.limit) == (Word.NO_LIMIT, None, None)
        assert "not judged" in verdict.rule


def test_a_limit_of_another_kind_is_refused():
    with pytest.raises(
        ValueError, match=r"leg.yaml:31: the limit of yield_ratio is of kind angle, the value is of ratio"
    ):
        decide(value(1.0, 0.1), Limit(0, 1, "angle", "leg.yaml:31"), GUARDED)


def test_the_named_number_of_repeats_settles_it_and_one_less_does_not():
    limit, line = limits(None, 1.0), BudgetLine("scatter of 5 repeats", 0.08, 4, "A")
    sensor = BudgetLine("sensor", 0.01)
    verdict = decide(value(0.9, line, sensor), limit, GUARDED)
    assert verdict.word is Word.INCONCLUSIVE
    assert "scatter of 5 repeats gives 98 % of the variance" in verdict.settle
    n = int(verdict.settle.split("about ")[1].split()[0])

    def word(n):  # the same spread with n repeats
        return decide(value(0.9, BudgetLine("", 0.08 * sqrt(5 / n), n - 1, "A"), sensor), limit, GUARDED).word

    assert [word(n - 1), word(n)] == [Word.INCONCLUSIVE, Word.PASS]


def test_what_settles_an_open_verdict():
    limit = limits(None, 1.0)
    scatter, gain = BudgetLine("scatter", 0.02, 9, "A"), BudgetLine("torque constant", 0.08)

    def settle(y, *lines):
        verdict = decide(value(y, *lines), limit, GUARDED)
        assert verdict.word is Word.INCONCLUSIVE
        return verdict.settle

    assert "torque constant gives 94 % of the variance" in settle(0.9, scatter, gain)
    assert "a better one would settle it, U must come below 0.1" in settle(0.9, scatter, gain)
    assert "a better one alone is not enough" in settle(0.99, scatter, gain)
    assert "not even 1000 repeats" in settle(0.999, BudgetLine("scatter", 0.2, 9, "A"), BudgetLine("sensor", 0.01))
    assert "the value lies on the limit" in settle(1.0, scatter)


def test_a_method_that_is_coarse_for_the_limits_says_so():
    limit = limits(0.0, 1.0)
    assert "third" not in decide(value(0.5, 0.08), limit, GUARDED).settle
    verdict = decide(value(0.5, 0.1), limit, GUARDED)  # U 0.196 > 0.5 / 3
    assert verdict.word is Word.PASS
    assert "U 0.196 is more than a third of the tolerance half-width 0.5" in verdict.settle


def test_the_rule_is_printed_with_its_acceptance_limits():
    limit = Limit(None, np.deg2rad(0.5), "angle", "leg.yaml:31")
    assert rule_text(limit, GUARDED, np.deg2rad(0.05)) == (
        "guarded acceptance and guarded rejection, guard band w = U (coverage 95 %): tolerance limit at most 0.5 deg "
        "(leg.yaml:31), w 0.05 deg, acceptance limit at most 0.45 deg, fail beyond 0.55 deg"
    )
    both = limits(0.9, 1.1)
    assert "acceptance limits 0.95 to 1.05, fail beyond 0.85 or 1.15" in rule_text(both, GUARDED, 0.05)
    assert "acceptance limits none, U is wider than the tolerance" in rule_text(both, GUARDED, 0.2)
    assert rule_text(both, SIMPLE) == (
        "simple acceptance (shared risk): tolerance limits 0.9 to 1.1 (leg.yaml:31), guard band 0, "
        "so accepted inside the tolerance"
    )
