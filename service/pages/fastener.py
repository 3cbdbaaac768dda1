"""One fastener, one question: which wrench is fit for it; as POST /v1/fastener-fit answers it."""

from math import isfinite, nan
from typing import Annotated, Any, Final
from urllib.parse import urlencode

from litestar import Controller, get
from litestar.di import NamedDependency
from litestar.params import QueryParameter
from litestar.response import Template

from analysis.errors import OutsideRange
from service.api.access import Shop
from service.api.body import InvalidRequest
from service.api.fastener_fit import fit_answer
from service.api.made_ready import MadeReady
from service.criticality import Criticality
from service.fastener import Thread
from service.findings import Finding, Refused
from service.imports.bodies import read_as
from service.pages.forms import faults_in_words
from service.pages.site import page
from service.pages.waits import waits
from service.pages.wrenches import MARKS, VERDICTS, sheet_path
from service.schemas.fastener_fit import FastenerFitAnswer, FastenerFitInput
from service.store import UnknownRecord
from service.torque import UNITS

_LISTED: Final = 6
_THREADS: Final = {
    Thread.RIGHT_HAND.value: "right-hand (clockwise)",
    Thread.LEFT_HAND.value: "left-hand (counter-clockwise)",
}
_CRITICALITIES: Final = {
    Criticality.ORDINARY.value: "ordinary",
    Criticality.SAFETY_CRITICAL.value: "safety-critical",
}
Text = Annotated[str, QueryParameter()]


class FastenerPage(Controller):
    path = "/fit"

    @get(sync_to_thread=True)
    def fit(
        self,
        shop: NamedDependency[Shop],
        made_ready: NamedDependency[MadeReady],
        torque: Text = "",
        unit: Text = "N.m",
        thread: Text = Thread.RIGHT_HAND.value,
        criticality: Text = Criticality.ORDINARY.value,
        angle: Text = "",
        wrench: Text = "",
    ) -> Template:
        """Without a torque the form alone."""
        asked = {
            "torque": torque.strip(),
            "unit": unit,
            "thread": thread,
            "criticality": criticality,
            "angle": angle.strip(),
            "wrench": wrench.strip(),
        }
        if asked["torque"] and not made_ready.forecasts():
            return waits(shop, "Which wrench is fit", "/fit", f"/fit?{urlencode(asked)}")
        faults: list[str] = []
        answer: FastenerFitAnswer | None = None
        if asked["torque"]:
            try:
                answer = fit_answer(shop, _question(asked))
            except (Refused, InvalidRequest) as refused:
                faults = faults_in_words(refused)
            except UnknownRecord:
                faults = [f"There is no wrench {asked['wrench']} here; look at the label again."]
            except OutsideRange as outside:
                faults = [f"{outside.because[:1].upper()}{outside.because[1:]}; {outside.needed}."]
        with shop.read() as records:
            policy = records.policy.get()
        return page(
            "fastener.html",
            shop,
            policy,
            status=422 if faults else 200,
            asked=asked,
            choices={"unit": UNITS, "thread": _THREADS, "criticality": _CRITICALITIES},
            faults=faults,
            answer=answer,
            marks=MARKS,
            verdicts=VERDICTS,
            sheet_path=sheet_path,
        )


def _question(asked: dict[str, str]) -> FastenerFitInput:
    """What the form asks; raises Refused."""
    fastener: dict[str, Any] = {
        "torque": {"value": _number(asked["torque"], "torque"), "unit": asked["unit"]},
        "thread": asked["thread"],
        "criticality": asked["criticality"],
    }
    if asked["angle"]:
        fastener["angle"] = {"degrees": _number(asked["angle"], "angle")}
    body = {"fastener": fastener, "wrench": asked["wrench"] or None, "limit": _LISTED}
    return read_as(FastenerFitInput, body, _field)


def _number(text: str, field: str) -> float:
    """The number, with a comma or a point; raises Refused."""
    try:
        value = float(text.replace(",", "."))
    except ValueError:
        value = nan
    if not (isfinite(value) and value > 0):
        raise Refused(
            [
                Finding(
                    field=field,
                    detail=f"{text!r} is not a number above zero",
                    remedy="write a number such as 19.8, without its unit",
                )
            ]
        )
    return value


def _field(pointer: str) -> tuple[str, None]:
    """The field of the form that a member of the body came from."""
    return pointer.removesuffix("/value").removesuffix("/degrees").rpartition("/")[2], None
