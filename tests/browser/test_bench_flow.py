"""A check at the bench from scan to verdict: number pad only, lost networks, slips of the hand."""

import re
from typing import Any

import httpx
from playwright.sync_api import BrowserContext, Page, Route, expect
from small_shop import SHOWS

TARGETS = (20, 60, 100)
FIFTEEN = [
    f"{target * share:.2f}" for target in TARGETS for share in (0.99, 0.992, 0.991, 0.99, 0.993)
]


def stored(api: httpx.Client, serial: str) -> list[dict[str, Any]]:
    found: list[dict[str, Any]] = api.get(f"/v1/wrenches/{serial}/checks").json()["items"]
    return found


def scan(page: Page, serial: str) -> None:
    """What a barcode scanner does, with the page just opened: its field has the focus by itself."""
    page.goto("/bench")
    expect(page.locator("#scan")).to_be_focused()  # a moment after the page came
    page.keyboard.type(serial)
    page.keyboard.press("Enter")
    expect(page.locator("#progress")).to_contain_text("0 of 15 readings")


def enter(page: Page, *readings: str) -> None:
    for reading in readings:
        page.keyboard.type(reading)
        page.keyboard.press("Enter")


def says(page: Page, words: str) -> None:
    expect(page.locator("#says")).to_contain_text(words)


def test_fifteen_readings_by_the_number_pad_alone(page: Page, api: httpx.Client) -> None:
    scan(page, "bn-1")
    expect(page.locator("#r0-0")).to_be_focused()
    page.keyboard.type("19,79")
    expect(page.locator("#j0-0")).to_have_text("1.06 % low, inside")
    page.keyboard.press("Enter")
    says(page, "19,79: 1.06 % low, inside.")
    expect(page.locator("#r0-1")).to_be_focused()
    enter(page, *FIFTEEN[1:])
    expect(page.locator("#save")).to_be_focused()
    page.keyboard.press("Enter")
    page.wait_for_url("**/bench/checks/BN-1/*")
    expect(page.locator(".verdict")).to_contain_text("Passed")
    expect(page.locator("#scan")).to_be_focused()
    (check,) = stored(api, "BN-1")
    assert check["kind"] == "as_found"
    assert check["tester"] == "TB-1"
    values = [r["reference"]["value"] for p in check["points"] for r in p["readings"]]
    assert values == [19.79, *map(float, FIFTEEN[1:])]
    assert page.evaluate("Object.keys(localStorage)") == ["wrench-drift/bench"]


def test_a_check_saved_without_a_network_is_stored_once_when_it_is_back(
    page: Page, context: BrowserContext, api: httpx.Client
) -> None:
    scan(page, "BN-2")
    enter(page, *FIFTEEN)
    context.set_offline(True)
    page.keyboard.press("Enter")
    says(page, "Not yet saved")
    expect(page.locator("#unsaved")).to_contain_text("Not yet saved: BN-2 clockwise.")
    expect(page.locator("#r0-0")).to_be_disabled()
    assert stored(api, "BN-2") == []
    context.set_offline(False)
    page.wait_for_url("**/bench/checks/BN-2/*")
    assert len(stored(api, "BN-2")) == 1
    expect(page.locator("#unsaved")).to_have_text("")


def test_a_lost_answer_does_not_store_the_check_twice(page: Page, api: httpx.Client) -> None:
    tries = []

    def lose_first_answer(route: Route) -> None:
        tries.append(route.request.headers["idempotency-key"])
        if len(tries) == 1:
            route.fetch()  # it arrives and is stored
            route.abort("connectionreset")
        else:
            route.continue_()

    page.route("**/v1/wrenches/BN-3/checks", lose_first_answer)
    scan(page, "BN-3")
    enter(page, *FIFTEEN)
    page.keyboard.press("Enter")
    page.wait_for_url("**/bench/checks/BN-3/*")
    assert len(stored(api, "BN-3")) == 1
    assert len(tries) == 2
    assert tries[0] == tries[1]


def test_readings_outlive_the_page_and_a_check_waits_on_any_page(
    page: Page, context: BrowserContext, api: httpx.Client
) -> None:
    scan(page, "BN-4")
    enter(page, *FIFTEEN[:7])
    page.reload()
    expect(page.locator("#progress")).to_contain_text("7 of 15 readings")
    expect(page.locator("#r1-2")).to_be_focused()
    enter(page, *FIFTEEN[7:])
    page.route("**/v1/wrenches/BN-4/checks", lambda route: route.abort())
    page.keyboard.press("Enter")
    says(page, "Not yet saved")
    # With its way still barred, or it may send the check itself in the moment before it closes.
    page.close()
    other = context.new_page()
    other.goto("/")
    expect(other.locator("#unsaved")).to_contain_text("Saved: BN-4 clockwise.", timeout=20_000)
    assert len(stored(api, "BN-4")) == 1


def test_a_reading_in_another_unit_is_asked_about_before_it_is_saved(
    page: Page, api: httpx.Client
) -> None:
    scan(page, "BN-5")
    enter(page, "14.75")  # 20 N·m is 14.75 ft·lbf
    says(page, "14.75 against 20 N·m: was it in ft·lbf?")
    expect(page.locator("#r0-0")).to_be_focused()
    enter(page, "9.9")
    says(page, "9.9 is far from 20 N·m: was it mistyped?")
    page.keyboard.press("Enter")  # it is right as it stands
    expect(page.locator("#r0-1")).to_be_focused()
    page.locator("#save").press("Enter")
    page.wait_for_url("**/bench/checks/BN-5/*")
    expect(page.locator(".verdict")).to_contain_text("Failed")
    assert len(stored(api, "BN-5")) == 1


def test_what_the_service_refuses_is_said_and_can_be_mended(page: Page, api: httpx.Client) -> None:
    scan(page, "BN-6")
    enter(page, "19,8", "abc")
    says(page, "abc is not a number.")
    page.locator("#r0-1").fill("19.8")
    page.locator("#operator").fill("bänk 2")
    page.locator("#temperature").fill("400")
    page.locator("#save").click()
    expect(page.locator("#faults")).to_contain_text("400 °C is no temperature of a bench")
    assert stored(api, "BN-6") == []
    page.locator("#temperature").fill("21,5")
    page.locator("#save").click()
    page.wait_for_url("**/bench/checks/BN-6/*")
    (check,) = stored(api, "BN-6")
    assert check["temperature_c"] == 21.5
    assert check["operator"] == "bänk 2"


def test_scatter_beyond_the_usual_asks_for_another_measurement(page: Page) -> None:
    scan(page, "OK-1")
    enter(page, "19.5", "20.3", "19.6", "20.4", "19.5")
    expect(page.locator(".summary").first).to_have_text(re.compile("scatter more than"))


def test_only_a_tester_that_may_be_used_is_offered(page: Page) -> None:
    page.goto("/bench?wrench=OK-1")
    expect(page.locator("[name=tester]")).to_have_count(1)
    expect(page.locator(".unusable")).to_have_text(
        re.compile("TB-0 cannot be used: its certificate ran out on 2026-01-10.")
    )


def test_what_the_wrench_showed_is_compared_and_an_empty_one_is_the_target(
    page: Page, api: httpx.Client
) -> None:
    """By the number pad alone: the wrench's own value, Enter, the tester's, Enter."""
    scan(page, SHOWS)
    expect(page.locator("#s0-0")).to_be_focused()
    enter(page, "20,4", "20.20")
    says(page, "20.20: 0.99 % low, inside.")
    expect(page.locator("#s0-1")).to_be_focused()
    enter(page, "", "20.20")
    says(page, "20.20: 0.99 % high, inside.")
    enter(page, "300")  # far from what it was pulled to
    says(page, "300 is far from 20 N·m: was it mistyped?")
    expect(page.locator("#s0-2")).to_be_focused()
    enter(page, "20.1", "19.9")
    page.locator("#save").focus()
    page.keyboard.press("Enter")
    page.wait_for_url(f"**/bench/checks/{SHOWS}/*")
    (check,) = stored(api, SHOWS)
    (point,) = check["points"]
    assert [
        (each["indicated"]["value"], each["reference"]["value"]) for each in point["readings"]
    ] == [(20.4, 20.2), (20.0, 20.2), (20.1, 19.9)]
