"""In which order wrenches are offered for a pull."""

from analysis.fitness import Fitness
from analysis.risk import Risk
from service.pull import JudgedPull, choice_order


def a_pull(wrench, fitness=Fitness.FIT, pull_risk=0.01, deviation_pct=0.0, sd_pct=0.5):
    risk = Risk(
        pull_risk=pull_risk,
        low_risk=pull_risk,
        high_risk=0.0,
        pass_probability=0.99,
        score=10.0,
        deviation_pct=deviation_pct,
        deviation_sd_pct=sd_pct,
        mpd_pct=4.0,
        x=0.5,
        drivers=(),
    )
    return JudgedPull(wrench=wrench, risk=risk, fitness=fitness, reasons=())


def ordered(*pulls):
    return [pull.wrench for pull in sorted(pulls, key=choice_order)]


def test_the_verdict_comes_before_the_chance():
    risky_but_fit = a_pull("A", Fitness.FIT, 0.019)
    safe_with_caution = a_pull("B", Fitness.CAUTION, 0.001)
    not_fit = a_pull("C", Fitness.NOT_FIT, 0.0005)
    assert ordered(not_fit, safe_with_caution, risky_but_fit) == ["A", "B", "C"]


def test_of_one_verdict_the_lower_chance_comes_first():
    assert ordered(a_pull("A", pull_risk=0.012), a_pull("B", pull_risk=0.004)) == ["B", "A"]


def test_where_chances_are_alike_the_more_exact_pull_comes_first():
    """Below 0.1 % a wide limit is no merit: 4e-9 within ±20 % is no more than 4e-4 within ±2 %."""
    coarse = a_pull("A", pull_risk=4e-9, deviation_pct=-1.0, sd_pct=1.5)
    exact = a_pull("B", pull_risk=4e-4, deviation_pct=0.3, sd_pct=0.4)
    assert ordered(coarse, exact) == ["B", "A"]


def test_the_whole_may_be_worse_than_its_pull():
    alone, whole = choice_order(a_pull("A")), choice_order(a_pull("A"), Fitness.CAUTION, 0.3)
    assert alone < whole
    assert whole[:2] == (1, 0.3)
