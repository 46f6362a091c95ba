"""A trial against its baseline: what the comparison means for the one who waits for an answer."""

from dataclasses import dataclass, replace

from echotrial.compare import Comparison, Rules, Side, Verdict, compare
from echotrial.guard.baseline import Baseline


@dataclass(frozen=True)
class Report:
    """The guard's answer.

    Attributes
    ----------
    comparison
        What it rests on.
    new
        Detectors and corpora that the baseline does not know; they are not judged.
    troubles
        Plugins that failed to load: the trial is incomplete.
    """

    comparison: Comparison
    new: tuple[str, ...] = ()
    troubles: tuple[str, ...] = ()

    @property
    def exit_code(self) -> int:
        """1 got worse; 3 something of the baseline was not, or could not be, compared; 0."""
        code = self.comparison.exit_code
        nothing = not self.comparison.verdicts
        return 3 if code == 0 and (self.troubles or nothing) else code

    @property
    def passed(self) -> bool:
        """Whether everything in the baseline was compared and nothing got worse."""
        return self.exit_code == 0

    @property
    def answer(self) -> str:
        """The answer in a sentence."""
        worse = self.comparison.of(Verdict.WORSE, Verdict.NEWLY_FAILING)
        if worse:
            names = ", ".join(f"{v.detector} on {v.corpus}" for v in worse)
            return f"got worse: {names}"
        if self.exit_code == 3:
            missing = self.comparison.of(Verdict.NOT_COMPARABLE)
            count = f"{len(missing)} not comparable" if missing else "a plugin failed to load"
            return f"incomplete: {count if self.comparison.verdicts else 'nothing to compare'}"
        return f"nothing got worse in {len(self.comparison.verdicts)} comparisons"


def check(
    trial: Side, baseline: Baseline, rules: Rules | None = None, troubles: tuple[str, ...] = ()
) -> Report:
    """Compare a trial with its baseline; what the baseline does not know is left out, and said."""
    old = baseline.side
    corpora = {name: c for name, c in trial.corpora.items() if name in old.corpora}
    known = {
        name: replace(c, answers={n: a for n, a in c.answers.items() if n in old.detectors})
        for name, c in corpora.items()
    }
    new = [f"detector {n}" for n in trial.detectors if n not in old.detectors]
    new += [f"corpus {n}" for n in trial.corpora if n not in old.corpora]
    found = compare(old, Side(trial.label, known, trial.detectors), rules)
    return Report(found, tuple(new), troubles)
