"""The report as Markdown, for the summary of a run or a comment on a pull request."""

from echotrial.compare.markdown import cell, markdown
from echotrial.guard.report import Report


def summary(report: Report) -> str:
    """The answer, then the comparison."""
    mark = {0: "✅", 1: "❌"}.get(report.exit_code, "⚠️")
    parts = [markdown(report.comparison, f"{mark} Accuracy guard: {report.answer}")]
    parts += [f"- {cell(trouble)}\n" for trouble in report.troubles]
    if report.new:
        parts.append(f"\nNot in the baseline, so not judged: {cell(', '.join(report.new))}.\n")
    return "".join(parts)
