"""Every kind of wrench has its prompts, and none claims a source."""

import pytest
from sample_records import a_wrench

from analysis.vocabulary import Mechanism
from service.care import SOURCE, prompts_for
from service.records import Indication


@pytest.mark.parametrize("mechanism", Mechanism)
def test_every_mechanism_has_prompts_of_its_own_and_those_of_every_wrench(mechanism):
    prompts = prompts_for(a_wrench(mechanism=mechanism))
    others = {
        prompt
        for other in Mechanism
        if other is not mechanism
        for prompt in prompts_for(a_wrench(mechanism=other))
    }
    assert set(prompts) - others
    assert any("after a drop" in prompt.when for prompt in prompts)
    assert "common practice, no source" in SOURCE


def test_a_wrench_without_a_graduation_is_never_wound_down():
    words = [
        prompt.do for prompt in prompts_for(a_wrench(indication=Indication.SETTING_NOT_GRADUATED))
    ]
    assert not any("wind it down" in each for each in words)
    assert any("wind it down" in prompt.do for prompt in prompts_for(a_wrench()))
