"""The pages of questions: a list of jobs, one fastener, and the range study in words."""

import re
from collections.abc import Iterator
from html import unescape
from typing import Any

import pytest
from calling import signed_in
from litestar.testing import TestClient
from sample_fleet import fill, take_out_of_service
from sample_records import NOW

from service.api.methods import Application
from service.app import create_app
from service.clock import PinnedClock
from service.store import LOCAL_SHOP, Store

HOSTILE = "<script>alert(1)</script>"
JOBS = (
    "job,torque,unit,direction\n"
    "sill bolt,60,N.m,\n"
    "left pedal,60,N.m,counter_clockwise\n"
    f"{HOSTILE},90,N.m,\n"
    "stem bolt,5,N.m,\n"
)


def words(text: str) -> str:
    """What a page says, without its tags."""
    return unescape(re.sub(r"\s+", " ", re.sub(r"<[^>]+>", " ", text)))


@pytest.fixture(scope="module")
def fleet(tmp_path_factory: pytest.TempPathFactory) -> Iterator[TestClient[Application]]:
    """SP-1 and EL-1 are sound, SP-3 was found out, SP-2 is out of service; 20 to 100 N·m each."""
    with Store.open(tmp_path_factory.mktemp("jobs") / "shop.db", migrate=True) as store:
        fill(store)
        take_out_of_service(store, "SP-2")
        app = create_app(store=store, shop=LOCAL_SHOP, clock=PinnedClock(NOW))
        with signed_in(app, store) as client:
            yield client


def answered(client: TestClient[Any], jobs: str = JOBS) -> str:
    page = client.post("/coverage", data={"jobs": jobs})
    assert page.status_code == 200, page.text
    return page.text


def test_the_form_asks_the_page_itself(fleet: TestClient[Application]) -> None:
    page = fleet.get("/coverage").text
    assert '<form class="ask" action="/coverage" method="post">' in page
    assert re.search(r'<label for="jobs">.*<textarea id="jobs" name="jobs"', page, re.S)


def test_a_list_is_answered_as_the_api_answers_it(fleet: TestClient[Application]) -> None:
    told = fleet.post(
        "/v1/coverage", content=JOBS, headers={"Content-Type": "text/csv; charset=utf-8"}
    ).json()
    page = answered(fleet)
    said = words(page)
    assert told["in_words"] in said
    for job in told["jobs"]:
        assert job["in_words"] in said
    for missing in told["missing_ranges"]:
        assert missing["in_words"] in said
    for taken in told["fewest"]:
        assert f'href="/wrenches/{taken["wrench"]}"' in page


def test_the_matrix_says_in_words_what_its_shapes_show(fleet: TestClient[Application]) -> None:
    page = answered(fleet)
    head = re.findall(r"<thead><tr>(.*?)</tr>", page, re.S)[0]
    columns = re.findall(r'<th scope="col">([^<]+)</th>', head)
    assert columns[0] == "Job"
    assert "SP-3" not in columns  # it may do none of them
    rows = re.findall(r'<tr><th scope="row">(.*?)</tr>', page, re.S)
    sill_bolt = words(rows[0])
    assert sill_bolt.startswith("sill bolt 60 N·m clockwise")
    assert "fit, take it" in sill_bolt or "caution, take it" in sill_bolt
    assert "no tolerance that way" in words(rows[1])  # SP-1 has none counter-clockwise
    assert words(rows[3]).count("not its range") == len(columns) - 2
    for cell in re.findall(r'<td class="said[^"]*">(.*?)</td>', page, re.S):
        assert '<span class="shape" aria-hidden="true"></span>' in cell
        assert re.search(r"fit|caution|not fit|too risky", words(cell))


def test_a_job_that_none_may_do_says_why(fleet: TestClient[Application]) -> None:
    said = words(answered(fleet))
    assert "No wrench may do" in said
    assert "stem bolt, 5 N·m clockwise: no wrench may do it" in said


def test_names_are_shown_and_never_run(fleet: TestClient[Application]) -> None:
    page = answered(fleet)
    assert HOSTILE not in page
    assert "&lt;script&gt;alert(1)&lt;/script&gt;" in page


def test_cells_pasted_from_a_spreadsheet_are_read(fleet: TestClient[Application]) -> None:
    pasted = JOBS.replace(",", "\t").replace("\n", "\r\n")
    assert (
        words(answered(fleet, pasted)).split("Ask again")[0]
        == (words(answered(fleet)).split("Ask again")[0])
    )


@pytest.mark.parametrize(
    ("jobs", "fault"),
    [
        ("", "The first line is not a header; separate cells by commas"),
        ("job,torque,unit\nsill bolt,much,N.m\n", "Row 1, torque: &#39;much&#39; is not a number"),
        ("job,torque,unit\na,30,N.m\na,40,N.m\n", "Row 2, job: &#39;a&#39; is there twice"),
        ("job,torque,unit\n", "There are 0 jobs in it; send between 1 and 100."),
    ],
)
def test_a_list_that_cannot_be_read_stays_in_the_form_with_its_faults(
    fleet: TestClient[Application], jobs: str, fault: str
) -> None:
    page = fleet.post("/coverage", data={"jobs": jobs})
    assert page.status_code == 422
    alert = re.findall(r'role="alert">(.*?)</div>', page.text, re.S)[0]
    assert "The list cannot be answered as it is." in alert
    assert fault in alert
    assert f">{jobs}</textarea>" in page.text


def test_a_list_from_another_site_is_refused(fleet: TestClient[Application]) -> None:
    page = fleet.post(
        "/coverage", data={"jobs": JOBS}, headers={"Origin": "https://elsewhere.example"}
    )
    assert page.status_code == 403


def test_a_body_that_is_no_form_is_refused(fleet: TestClient[Application]) -> None:
    assert fleet.post("/coverage", json={"jobs": JOBS}).status_code == 415
    raw = {"Content-Type": "application/x-www-form-urlencoded"}
    assert fleet.post("/coverage", content=b"jobs=%ff", headers=raw).status_code == 400


def test_one_fastener_is_answered_as_the_api_answers_it(fleet: TestClient[Application]) -> None:
    told = fleet.post(
        "/v1/fastener-fit",
        json={"fastener": {"torque": {"value": 40, "unit": "N.m"}}, "limit": 6},
    ).json()
    page = fleet.get("/fit", params={"torque": "40"})
    assert page.status_code == 200
    said = words(page.text)
    assert told["in_words"] in said
    assert told["choices"]
    for each in told["choices"]:
        assert each["in_words"] in said


def test_the_wrench_asked_about_has_its_verdict_first(fleet: TestClient[Application]) -> None:
    said = words(fleet.get("/fit", params={"torque": "40,0", "wrench": "SP-3"}).text)
    assert said.index("Not fit") < said.index("Better than that")
    assert "SP-3 clockwise:" in said


def test_a_left_hand_thread_turns_the_other_way(fleet: TestClient[Application]) -> None:
    said = words(fleet.get("/fit", params={"torque": "40", "thread": "left_hand"}).text)
    assert "40 N·m counter-clockwise" in said


@pytest.mark.parametrize(
    ("query", "fault"),
    [
        ({"torque": "much"}, "Torque: &#39;much&#39; is not a number above zero"),
        ({"torque": "nan"}, "Torque: &#39;nan&#39; is not a number above zero"),
        ({"torque": "40", "angle": "-9"}, "Angle: &#39;-9&#39; is not a number above zero"),
        ({"torque": "40", "unit": "furlong"}, "&#39;furlong&#39; is not a torque unit"),
        ({"torque": "40", "thread": "bent"}, "Thread:"),
        ({"torque": "40", "wrench": HOSTILE}, "There is no wrench &lt;script&gt;"),
        ({"torque": "400", "wrench": "SP-1"}, "400"),
    ],
)
def test_a_question_that_cannot_be_answered_says_why(
    fleet: TestClient[Application], query: dict[str, str], fault: str
) -> None:
    page = fleet.get("/fit", params=query)
    assert page.status_code == 422
    alert = re.findall(r'role="alert">(.*?)</div>', page.text, re.S)[0]
    assert fault in alert
    assert HOSTILE not in page.text


def test_the_range_page_says_the_finding_and_its_numbers(fleet: TestClient[Application]) -> None:
    study = fleet.get("/v1/range-study").json()
    page = fleet.get("/range").text
    said = words(page)
    for part in ("verdict", "follows"):
        assert study["finding"][part] in said
    assert len(re.findall(r'<tr><th scope="row">', page)) == len(study["mechanisms"])
