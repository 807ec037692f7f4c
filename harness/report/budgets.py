"""What stands behind the results of a report: the readings, the levels, and every budget.   [pure]"""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import replace
from string import ascii_lowercase
from typing import TYPE_CHECKING, Final

from harness.report import blocks as b
from harness.report import shown
from harness.words.language import tr, tr_count, tr_later

if TYPE_CHECKING:
    from harness.analysis.curve import Curve, LevelPoint
    from harness.analysis.estimate import Budget, Statement
    from harness.report.model import PartResult, Report, Result

TITLE: Final = tr_later("Levels, readings and budgets")
_METHOD: Final = {"gum": "k·u", "convolution": tr_later("exact distribution")}


def keys(report: Report) -> dict[int, str]:
    """What a link to the budget of a result leads to, by the identity of the result, in the order of the report."""
    return {id(result): f"b{n}" for n, result in enumerate(_with_budget(report), start=1)}


def _with_budget(report: Report) -> Iterator[Result]:
    return (result for part in report.parts for result in part.results if result.budget is not None)


def in_full(report: Report) -> b.Section:
    """Every line of every budget, each folded away."""
    known = keys(report)
    curves = (section for part in report.parts for section in _curves(report, part))
    budgets = (_budget(report, result, known[id(result)]) for result in _with_budget(report))
    return b.Section(title=tr(TITLE), key="budgets", blocks=(*curves, *budgets))


def on_paper(report: Report) -> Iterator[b.Section]:
    """The same for paper: points share a table of what each source contributes, and one of the lines' origins."""
    if not any(part.results for part in report.parts):
        return
    sections = ((*_contributions(report, part), *_curves(report, part)) for part in report.parts)
    yield b.Section(title=tr(TITLE), blocks=tuple(section for some in sections for section in some))


# --- responses ---------------------------------------------------------------------------------------------------


def _curves(report: Report, part: PartResult) -> Iterator[b.Section]:
    """The readings and levels of each response; levels that several channels share once."""
    said: dict[tuple[LevelPoint, ...], str] = {}
    for result in part.results:
        if (curve := result.curve) is not None:
            place = tr(
                "channel {channel}, {report}", channel=result.channel, report=shown.path_label(report, result.path)
            )
            place += "" if curve.drop_db is not None else f", {tr(result.quantity)}, {result.setting}"
            yield _readings(curve, place)
            if curve.level or curve.level_method:
                yield _levels(curve, place, said.get(curve.level, ""))
                said.setdefault(curve.level, place)


def _readings(curve: Curve, place: str) -> b.Section:
    height = curve.reference_div
    note = tr("relative to {reference_hz}", reference_hz=shown.hertz(curve.reference_hz)) if curve.reference_hz else ""
    note += tr(", reference deflection {height}", height=shown.number(height, "div")) if height is not None else ""
    table = b.table(
        (">Frequency", ">Response", ">u", ">Fitted", ">Residual / u", "Purpose"),
        (
            b.row(
                b.Span(text=shown.hertz(p.frequency_hz), number=p.frequency_hz),
                b.Span(text=shown.decibels(p.response_db), number=p.response_db), shown.decibels(p.u_db),
                shown.decibels(p.fitted_db), shown.number(p.residual, "", 2), tr(p.purpose),
            )
            for p in curve.points
        ),
        look="compact", small=True,
    )  # fmt: skip
    return b.Section(title=tr("Response readings, {place}", place=place), note=note, folded=True, blocks=(table,))


def _levels(curve: Curve, place: str, like: str) -> b.Section:
    table = b.table(
        (">Frequency", ">Level", ">u"),
        (
            b.row(
                shown.hertz(x.frequency_hz), b.Span(text=shown.decibels(x.level_db), number=x.level_db),
                b.Span(text=shown.decibels(x.u_db), number=x.u_db),
            )
            for x in curve.level
        ),
        look="compact", small=True,
    )  # fmt: skip
    method = [b.paragraph(curve.level_method, small=True)] if curve.level_method else []
    blocks = (*method, table if curve.level else b.paragraph(tr("No levels were recorded."), small=True))
    if like and curve.level:
        blocks = (b.paragraph(tr("As for {like}.", like=like), small=True),)
    note = tr("at each frequency, as the reference showed it")
    return b.Section(title=tr("Levels, {place}", place=place), note=note, folded=True, blocks=blocks)


# --- budgets -----------------------------------------------------------------------------------------------------


def _budget(report: Report, r: Result, key: str) -> b.Section:
    budget = r.budget
    assert budget is not None
    lines = (
        b.row(
            tr(c.name), shown.number(c.half_width, c.unit if c.half_width is not None else "", 3), tr(c.distribution),
            shown.number(c.divisor, "", 3), shown.rounded(c.u, c.unit, 3), shown.number(c.sensitivity, "", 4),
            b.Span(text=shown.rounded(c.contribution, "", 3), number=c.contribution), shown.number(c.dof),
        )
        for c in budget.contributions
    )  # fmt: skip
    table = b.table(
        (
            "Contribution",
            ">Half-width or U",
            "Distribution",
            ">Divisor",
            ">u",
            ">Sensitivity",
            ">" + tr("Contribution, {unit}", unit=budget.unit or tr("ratio")),
            ">Degrees of freedom",
        ),
        (*lines, *_combined(r.statement)),
        caption=shown.capital(tr(budget.quantity)),
        note=tr("from {readings}: {r}", readings=tr_count(len(r.readings), "reading"), r=shown.readings_text(r))
        if r.readings
        else "",
    )
    related = [
        tr("{x} and {y} are correlated: r = {c}.", x=tr(x), y=tr(y), c=shown.number(c, "", 3))
        for x, y, c in budget.correlations
    ]
    related += [
        tr("{names}: one estimate, whose degrees of freedom count once.", names=names) for names in _shared(budget)
    ]
    place = tr(
        "channel {channel}, {report}, {setting}",
        channel=r.channel,
        report=shown.path_label(report, r.path),
        setting=r.setting,
    )
    return b.Section(
        title=f"{shown.capital(tr(r.quantity))}, {place}: U = {shown.cells(r).u}", key=key, folded=True,
        blocks=(table, *(b.paragraph(each, small=True) for each in (*related, *_judged(r)))),
    )  # fmt: skip


def _shared(budget: Budget) -> Iterator[str]:
    """The names of lines that are known from one estimate, where there are several."""
    for estimate in dict.fromkeys(c.known_from for c in budget.contributions if c.known_from):
        names = [tr(c.name) for c in budget.contributions if c.known_from == estimate and c.u]
        if len(names) > 1:
            yield tr(" and ").join(names)


def _combined(s: Statement | None) -> Iterator[b.Row]:
    if s is not None:
        text = tr(
            "Combined; k = {k:.2f} at {probability} ({method})",
            k=s.k,
            probability=shown.percent(s.probability, 4),
            method=tr(_METHOD[s.method]),
        )
        combined = b.Span(text=shown.rounded(s.u, "", 3), number=s.u)
        yield b.row(text, "", "", "", "", "", combined, shown.number(s.dof_eff, "", 3), total=True)


def _judged(r: Result) -> Iterator[str]:
    if (v := r.verdict) is not None:
        ratio = "" if v.tur is None else tr(" Test uncertainty ratio {tur}.", tur=shown.number(v.tur, "", 3))
        chance = tr(
            "Probability that the error lies inside the limits: {conformance_probability}.",
            conformance_probability=shown.chance(v.conformance_probability),
        )
        yield f"{shown.minus(v.sentence)}{ratio} {chance}"


def _contributions(report: Report, part: PartResult) -> Iterator[b.Section]:
    """Every line of the budgets of a group of points, in two tables; the whole budget of what has a curve."""
    for group in shown.result_groups(part):
        known = [result for result in group if result.budget is not None and result.statement is not None]
        if group[0].curve is not None:
            yield from (_without_caption(_budget(report, result, "")) for result in known)
            continue
        names = list(dict.fromkeys(c.name for r in known if r.budget is not None for c in r.budget.contributions))
        letters = dict(zip(names, _letters(), strict=False))
        table = b.table(
            ("Setting", "Readings", *(f">{letters[name]}" for name in names), ">u", ">k", ">U", ">TUR"),
            (_contributed(result, names) for result in known), small=True,
            foot="; ".join(f"{letters[name]}: {tr(name)}" for name in names) + ".",
        )  # fmt: skip
        if known:
            title, note = (
                tr("Uncertainty: {report}", report=shown.group_title(report, group[0])),
                tr("what each source contributes"),
            )
            yield b.Section(title=title, note=note, blocks=(table, _lines(known, letters)))


def _without_caption(section: b.Section) -> b.Section:
    """On paper the heading stands above, whole."""
    blocks = (replace(each, caption="") if isinstance(each, b.Table) else each for each in section.blocks)
    return replace(section, blocks=tuple(blocks))


def _lines(known: Sequence[Result], letters: Mapping[str, str]) -> b.Table:
    """Where each line of the budgets of a group comes from; what differs from result to result as a span."""
    every = [c for r in known if r.budget is not None for c in r.budget.contributions]
    rows = []
    for name, letter in letters.items():
        some = [c for c in every if c.name == name]
        rows.append(
            b.row(
                f"{letter}: {tr(name)}", _span((c.half_width, c.unit) for c in some),
                ", ".join(dict.fromkeys(tr(c.distribution) for c in some)), _span((c.divisor, "") for c in some),
                _span((c.u, c.unit) for c in some), _span((abs(c.sensitivity), "") for c in some),
                _span((c.dof, "") for c in some),
            )
        )  # fmt: skip
    return b.table(
        ("Line", ">Half-width or U", "Distribution", ">Divisor", ">u", ">|Sensitivity|", ">Degrees of freedom"),
        rows, small=True,
    )  # fmt: skip


def _span(some: Iterable[tuple[float | None, str]]) -> str:
    """Values of one line of several budgets: one, or the least and the largest."""
    known = [(value, unit) for value, unit in some if value is not None]
    texts = dict.fromkeys(shown.number(value, unit, 3) for value, unit in (min(known), max(known))) if known else ["–"]
    return tr(" to ").join(texts)


def _letters() -> Iterator[str]:
    yield from ascii_lowercase
    for n in range(1, 1000):
        yield from (f"{letter}{n}" for letter in ascii_lowercase)


def _contributed(r: Result, names: list[str]) -> b.Row:
    assert r.budget is not None
    assert r.statement is not None
    given = {c.name: c for c in r.budget.contributions}
    s, said = r.statement, shown.cells(r)
    scale, unit = shown.scale_of(s.unit, s.estimate)
    return b.row(
        r.setting if r.curve is None else tr("channel {channel}", channel=r.channel), shown.readings_text(r),
        *("–" if name not in given else shown.rounded(abs(given[name].contribution) / scale) for name in names),
        b.strong(shown.rounded(s.u / scale, unit)), said.k, said.u,
        shown.rounded(r.verdict.tur if r.verdict is not None else None),
    )  # fmt: skip
