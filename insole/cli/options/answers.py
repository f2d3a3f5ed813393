"""Answers to the questions before parts, as options and files give them.

--answers FILE, --answer QUESTION=yes, --clinician "NAME, DATE" -> answers_of -> answers, a word
"""

from __future__ import annotations

from datetime import date
from pathlib import Path
from typing import Any

import click

from insole.cli.options.outcomes import speak

__all__ = ["answers_of"]


def answers_of(given: dict[str, Any]) -> tuple[dict[str, str], str]:
    """Return the answers by question, and a clinician's word, of the rider that is planned for.

    Raises
    ------
    insole.errors.InsoleError
        The file is another rider's or cannot be read; the word is of a day to come.
    """
    from insole.record.questions import dated, refuse_ahead, stops_in

    answers: dict[str, str] = {}
    clinician = ""
    if given["answers"]:
        answers, clinician = _in_file(given["answers"], given["case"])
    for text in given["answer"]:
        name, sep, answer = text.partition("=")
        if not sep:
            raise click.UsageError(f"--answer wants QUESTION=yes or QUESTION=no, got {text!r}")
        answers[name.strip()] = answer.strip()
    # the word that ended a trial's stop is none about what is answered now
    ended = "" if stops_in(answers) else given.get("ended_by", "")
    clinician = given["clinician"] or ended or clinician
    refuse_ahead(dated(clinician), date.today(), "the clinician's word")
    return answers, clinician


def _in_file(path: Path, case: str) -> tuple[dict[str, str], str]:
    """Return answers and a clinician's word from an answers file, or as a plan holds them.

    Those of another rider are refused; where the file names none, that is said.
    """
    from insole.errors import RefusedError
    from insole.record import questions
    from insole.workflow.keeping import NO_NAME

    if path.suffix.lower() != ".json":
        if case != NO_NAME:
            questions.refuse_others(path, case)
        named, _ = questions.of_whom(path)
        if not named or case == NO_NAME:
            whose = f"of {named!r}" if named else "of a rider that it does not name"
            speak(f"{path.name} holds answers {whose}: see that they are this rider's")
        return questions.read(path)
    from insole.workflow.plans import read_plan

    plan = read_plan(path)
    if NO_NAME not in (case, plan.case) and plan.case != case:
        raise RefusedError(
            f"{path.name} is of {plan.case!r}, and the plan is of {case!r}: give answers of this "
            "rider"
        ).asking("answers")
    asked = {name: word for name, word in plan.answers.items() if word != "not asked"}
    return asked, plan.clinician
