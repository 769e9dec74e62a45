"""What a server has of what is needed: a table for people, for a document, or one object for a program."""

from rich.console import Group, RenderableType
from rich.table import Table
from rich.text import Text

from andante.present.as_json import Json
from andante.present.as_text import caution
from andante.present.shown import plain
from andante.server_check.finding import Finding, Report, State
from andante.wording import CAUTION

_STYLES = {State.FALLBACK: "bold", State.MISSING: "bold red", State.UNTRIED: "dim"}


def checked_view(report: Report) -> RenderableType:
    """The verdict first; then every finding; then what those that are not there mean."""
    table = Table(box=None, pad_edge=False, padding=(0, 2, 0, 0), header_style="dim")
    for name, folded in (("found", False), ("need", False), ("what", True), ("seen", True)):
        table.add_column(name, overflow="fold", no_wrap=not folded)
    for one in report.findings:
        state = Text(one.state.value, _STYLES.get(one.state, ""))
        table.add_row(state, _need(one), plain(one.requirement.title), plain(one.seen))
    parts: list[RenderableType] = [Text(f"{plain(report.base)}{_software(report)}"), _verdict(report), Text(), table]
    lacking = [one for one in report.findings if one.state in (State.FALLBACK, State.MISSING)]
    if lacking:
        parts += [Text(), Text("What is not there, and what that means:")]
        parts += [Text(f"  {plain(one.requirement.title)}: {plain(one.means)}.") for one in lacking]
    if report.wrote:
        parts += [Text(), Text(_left(report))]
    return Group(*parts, caution())


def checked_markdown(report: Report) -> str:
    """The same as a page of Markdown, ready for an integration's record."""
    lines = [
        f"`{plain(report.base)}`{_software(report)}",
        "",
        f"**{report.verdict.sentence}** Exit status {report.verdict.value}.",
        "",
        "| what | need | found | seen | what it means |",
        "| --- | --- | --- | --- | --- |",
        *(
            f"| {_cell(one.requirement.title)} | {_need(one)} | {one.state} | {_cell(one.seen)} | {_cell(one.means)} |"
            for one in report.findings
        ),
        "",
    ]
    if report.wrote:
        lines += [_left(report), ""]
    return "\n".join([*lines, CAUTION, ""])


def checked_json(report: Report) -> Json:
    return {
        "base": report.base,
        "software": report.software or None,
        "verdict": report.verdict.name.lower().replace("_", "-"),
        "exit_status": report.verdict.value,
        "findings": [
            {
                "what": one.requirement.title,
                "needed": one.needed,
                "found": one.state.value,
                "seen": one.seen,
                "means": one.means,
            }
            for one in report.findings
        ],
        "wrote": report.wrote,
        "left": list(report.left),
        "caution": CAUTION,
    }


def _verdict(report: Report) -> Text:
    return Text(report.verdict.sentence, "bold")


def _software(report: Report) -> str:
    return f", {plain(report.software)}" if report.software else ""


def _need(one: Finding) -> str:
    return "needed" if one.needed else "wished"


def _left(report: Report) -> str:
    written = ", ".join(plain(name) for name in report.left) or "no Task"
    return (
        f"Written by this check, cancelled, and about nobody: {written}, with a Provenance for each write. "
        "They carry the tag HTEST and may be deleted; this service never deletes."
    )


def _cell(text: str) -> str:
    return plain(text).replace("|", "\\|")
