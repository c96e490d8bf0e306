"""Pages: how long parts last, on which models and builds, and what those figures rest on."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from math import log
from typing import Any

from flask import Blueprint, Response, redirect, request, url_for

from service.errors import InvalidInput, NotFound
from service.estimates import pool_is_open
from service.life_documents import comparison_document, group_document, life_document, models_on_record
from service.life_tables import life_table
from service.people.access_log import note_access
from service.pictures import FORMATS, life_picture
from service.schemas.component_risk import RiskQuery
from service.security_headers import PAPER_POLICY
from service.vocabulary import KM_PER_MILE
from service.web.asked import load_asked, refuse_at
from service.web.current import app, current
from service.web.formats import distance, number
from service.web.forms import shown
from service.web.life_forms import LIFE_FIELDS, ChooseForm, PartForm, build_name, risk_request
from service.web.names import catalogue_now, place_name, use_name
from service.web.own_words import catalogue_label
from service.web.texts import _

blueprint = Blueprint("lifetimes", __name__, url_prefix="/lifetimes")
TONES = ("light", "dark")


def _choice() -> ChooseForm:
    form = ChooseForm(request.args, meta={"csrf": False})
    with app().database.read() as session:
        models = models_on_record(session)
    form.offer(((c.slug, catalogue_label(c.name)) for c in catalogue_now().components), models)
    return form


@blueprint.get("")
def index() -> Any:
    """Choose a component, and a model or all of them."""
    form = _choice()
    if not form.component.data or not request.args:
        systems: dict[str, list[Any]] = {}
        for component in sorted(catalogue_now().components, key=lambda c: c.name):
            systems.setdefault(component.system, []).append(component)
        return shown("lifetimes/index.html", form, systems=systems)
    make, _bar, model = (form.model.data or "").partition("|")
    if model:
        return redirect(url_for("web.lifetimes.one", component=form.component.data, make=make, model=model), 303)
    return redirect(url_for("web.lifetimes.compared", component=form.component.data), 303)


@blueprint.get("/<string:component>")
def compared(component: str) -> Any:
    """Compare the models on record for one component."""
    pool_open = app().settings.pool_open
    with app().database.read() as session:
        found = comparison_document(session, current.shop_id, component, pool_open=pool_open)
        groups = group_document(session, current.shop_id, component, pool_open=pool_open)
        pooled = pool_is_open(session, pool_open=pool_open)
    if pooled:
        with app().database.write() as session:
            note_access(session, current.actor(), "models compared", shop_id=None, detail=component, now=app().now())
    form = _choice()
    form.component.data = component
    return shown(
        "lifetimes/compared.html",
        form,
        found=found,
        groups=groups,
        group_name=_group_name,
        within_name=_within_name,
        build_name=build_name,
        place=_place,
    )


def _group_name(group: str) -> str:
    """A group of machines: how far they run a year, what they are used for, else by the name a shop gave it."""
    low, high = (distance(km) for km in (3_000, 10_000))
    by_distance = {
        "light": _("less than %(low)s a year", low=low),
        "usual": _("%(low)s to %(high)s a year", low=low, high=high),
        "hard": _("more than %(high)s a year", high=high),
    }
    if group == "others":
        return _("the others")
    return by_distance.get(group.partition(" use, ")[0], use_name(group))


def _place(ratio: float) -> str:
    """Where a ratio stands on a logarithmic scale from an eighth to eight times, in per cent."""
    return f"{min(max(50.0 + 50.0 * log(ratio) / log(8.0), 0.0), 100.0):.1f}"


def _within_name(row: Mapping[str, Any]) -> str:
    """Which two kinds of the same part are held against each other."""
    if row["kind"] == "quality":
        return _("pattern parts against the maker's, all models")
    if row["kind"] == "stratum":
        other = int(row["against"].rpartition(" ")[2])
        return _("%(one)s against %(other)s", one=build_name(row["stratum"]), other=build_name(other))
    return _("%(one)s against %(other)s", one=place_name(row["position"]), other=place_name(row["against"]))


def _asked(form: PartForm) -> dict[str, Any] | None:
    """The question in the address; None where it was refused, with the messages at its fields."""
    make, model = request.args.get("make", ""), request.args.get("model", "")
    if not make or not model:
        raise NotFound("choose a model; the address must name make and model")
    valid = form.validate()
    asked = load_asked(RiskQuery(), risk_request(form, make, model), form, LIFE_FIELDS)
    return asked if valid else None


def _document(component: str, form: PartForm) -> dict[str, Any] | None:
    asked = _asked(form)
    if asked is None:
        return None
    try:
        with app().database.read() as session:
            return life_document(session, current.shop_id, component, asked, pool_open=app().settings.pool_open)
    except InvalidInput as error:
        refuse_at(form, error, LIFE_FIELDS)
        return None


@blueprint.get("/<string:component>/model")
def one(component: str) -> Any:
    """Show how a component fares on one model."""
    form = PartForm(request.args, meta={"csrf": False})
    found = _document(component, form)
    if found is None:
        plain = RiskQuery().load({"make": request.args["make"], "model": request.args["model"]})
        with app().database.read() as session:
            found = life_document(session, current.shop_id, component, plain, pool_open=app().settings.pool_open)
    form.offer(found["available"])
    own_bands = {band["from"]: band for band in (found["own"] or {}).get("hazards", ())}
    return shown(
        "lifetimes/one.html", form, found=found, picture=_picture_address(component), build_name=build_name,
        own_bands=own_bands, per_unit=_per_unit(found) if found["clock"] == "km" else 1.0,
    )  # fmt: skip


def _picture_address(component: str) -> Callable[..., str]:
    asked = {name: value for name, value in request.args.items() if name not in ("tone", "save")}

    def address(name: str, kind: str, **more: Any) -> str:
        return url_for("web.lifetimes.file", component=component, name=f"{name}.{kind}", **{**asked, **more})

    return address


def _per_unit(found: Mapping[str, Any]) -> float:
    """Units of the document's age in one of what is shown: kilometres or miles, years."""
    if found["clock"] == "days":
        return 365.25
    return KM_PER_MILE if current.unit == "mi" else 1.0


@blueprint.get("/<string:component>/model/<string:name>")
def file(component: str, name: str) -> Response:
    """Give one picture (SVG, PNG), or the table behind it (CSV)."""
    picture, _dot, kind = name.rpartition(".")
    found = _document(component, PartForm(request.args, meta={"csrf": False}))
    if found is None:
        raise NotFound("there is no such picture")
    if kind == "csv":
        return _saved(life_table(found, picture).encode(), "text/csv", f"{component}-{name}")
    if kind not in FORMATS:
        raise NotFound("there is no such picture; svg, png and csv can be had")
    tone = request.args.get("tone", "light")
    drawn = life_picture(
        found, picture, _words(found, picture), per_unit=_per_unit(found), clock=found["clock"], kind=kind,
        tone=tone if tone in TONES else "light",
    )  # fmt: skip
    return _saved(drawn, FORMATS[kind], f"{component}-{name}" if request.args.get("save") else "")


def _saved(content: bytes, mimetype: str, file_name: str) -> Response:
    answer = Response(content, mimetype=mimetype, headers={"Content-Security-Policy": PAPER_POLICY})
    if file_name:
        answer.headers["Content-Disposition"] = f'attachment; filename="{file_name}"'
    return answer


def _words(found: Mapping[str, Any], picture: str) -> Callable[[str], str]:
    """The reader's words for a picture's axes and lines."""
    unit = _("years") if found["clock"] == "days" else current.unit
    whose = _("Age of the machine (%(unit)s)") if picture == "repeats" else _("Age of the part (%(unit)s)")
    per = (
        _("Failures a part in a year")
        if found["clock"] == "days"
        else _("Failures a part in %(distance)s", distance=number(1000) + " " + current.unit)
    )
    words = {
        "across": whose % {"unit": unit},
        "up": {"survival": _("Share still good"), "failures": per}.get(picture, _("Failures a machine so far")),
        "estimated": _("estimate"),
        "own": _("own records alone"),
        "watched": _("machines watched") if picture == "repeats" else _("own parts still watched"),
    }
    return words.__getitem__
