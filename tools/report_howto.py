"""What only whoever made a report can do next: the one part of it that names commands."""

import re

from markupsafe import Markup

from daemon.page.words import glued
from daemon.records import Verdict
from tools.correlate import way_out
from tools.report_answer import Gathered

_OPTION = re.compile(r"--[a-z-]+")


def howto(found: Gathered) -> list[Markup]:
    """The steps that this report leaves open, the chain's head last; no option breaks in two."""
    steps = (str(glued(one)) for one in _of(found))
    return [Markup(_OPTION.sub(r'<span class="n">\g<0></span>', one)) for one in steps]


def _of(found: Gathered) -> list[str]:
    steps = []
    if found.n_left_out:
        steps.append("All events as a table: halfcycle events DATABASE --all --format csv.")
    if any(verdict is None for _, verdict in found.counts):
        steps.append(
            "To compare the events that were not judged: halfcycle judge DATABASE --profile ID, "
            "or with the limits of the machines themselves --equipment FILE."
        )
    steps += _on_failures(found)
    if found.head:
        steps.append(
            "To see later whether the database is still the one this report is of: halfcycle "
            "check-db DATABASE --head with the head of its chain of hashes:"
        )
    return steps


def _on_failures(found: Gathered) -> list[str]:
    failures = found.failures
    if failures is None:
        return []
    steps = [f"The clock of the failures: {way_out(failures)}"] if failures.offset else []
    is_more_near = any(one.verdict in (None, Verdict.WITHIN) for one in found.others)
    if failures.unmatched_failures and is_more_near:
        steps.append(
            "To hold the log of failures also against events that passed no limit: halfcycle "
            "correlate DATABASE LOG --all."
        )
    return steps
