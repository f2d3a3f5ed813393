"""The questions as a page to fill in, and asked step by step: what is left open is not asked."""

from __future__ import annotations

from pathlib import Path

import pytest

from insole.errors import PlanError, RefusedError
from insole.output.papers import question_sheet
from insole.output.papers.question_sheet import read_sheet, write_sheet
from insole.record import questions as q
from tests.command_line import Run

IDS = [question.id for question in q.QUESTIONS]


def filled(source: Path, target: Path, answers: dict[str, str], clinician: str = "") -> None:
    """Fill a sheet as a person does: click on its circles, type into its line, save."""
    import pypdfium2
    import pypdfium2.raw as pdfium

    document = pypdfium2.PdfDocument(source.read_bytes())
    document.init_forms()
    page = document[0]
    for k in range(pdfium.FPDFPage_GetAnnotCount(page)):
        field = pdfium.FPDFPage_GetAnnot(page, k)
        box = pdfium.FS_RECTF()
        pdfium.FPDFAnnot_GetRect(field, box)
        name = words(pdfium.FPDFAnnot_GetFormFieldName, document.formenv, field)
        value = words(pdfium.FPDFAnnot_GetFormFieldExportValue, document.formenv, field)
        x, y = (box.left + box.right) / 2, (box.top + box.bottom) / 2
        if answers.get(name) == value or (name == "clinician" and clinician):
            pdfium.FORM_OnMouseMove(document.formenv, page, 0, x, y)
            pdfium.FORM_OnLButtonDown(document.formenv, page, 0, x, y)
            pdfium.FORM_OnLButtonUp(document.formenv, page, 0, x, y)
        if name == "clinician":
            for letter in clinician:
                pdfium.FORM_OnChar(document.formenv, page, ord(letter), 0)
        pdfium.FPDFPage_CloseAnnot(field)
    pdfium.FORM_ForceToKillFocus(document.formenv)
    document.save(str(target))


def words(call, form, field) -> str:
    import ctypes

    import pypdfium2.raw as pdfium

    size = call(form, field, None, 0)
    buffer = ctypes.create_string_buffer(size)
    call(form, field, ctypes.cast(buffer, ctypes.POINTER(pdfium.FPDF_WCHAR)), size)
    return buffer.raw[: size - 2].decode("utf-16-le")


def test_an_empty_sheet_asks_nothing_and_is_the_same_twice(tmp_path):
    for name in ("a.pdf", "b.pdf"):
        write_sheet(tmp_path / name)
    assert (tmp_path / "a.pdf").read_bytes() == (tmp_path / "b.pdf").read_bytes()
    assert read_sheet(tmp_path / "a.pdf") == ({}, "")


def test_the_sheet_is_one_page_with_every_question_on_it(tmp_path):
    import pypdfium2

    write_sheet(tmp_path / "a.pdf")
    document = pypdfium2.PdfDocument((tmp_path / "a.pdf").read_bytes())
    assert len(document) == 1
    text = " ".join(document[0].get_textpage().get_text_range().split())
    for question in q.QUESTIONS:
        assert question.text in text


def test_a_filled_sheet_reads_back(tmp_path):
    answers = {"diabetes": "no", "night_pain": "yes", "riding_pain": "no"}
    write_sheet(tmp_path / "a.pdf")
    filled(tmp_path / "a.pdf", tmp_path / "b.pdf", answers, "B. Clinician, 2026-03-04")
    assert read_sheet(tmp_path / "b.pdf") == (answers, "B. Clinician, 2026-03-04")


def test_another_file_is_one_sentence(tmp_path):
    (tmp_path / "a.pdf").write_text("no", encoding="utf-8")
    with pytest.raises(PlanError, match="cannot be read as PDF"):
        read_sheet(tmp_path / "a.pdf")
    with pytest.raises(PlanError, match="check the path"):
        read_sheet(tmp_path / "none.pdf")


def test_a_day_to_come_is_asked_again_and_refused(run: Run, tmp_path: Path) -> None:
    out = tmp_path / "a.toml"
    typed = ["wren", "9999-12-31", "2.5.26", "2026-05-02"] + ["no"] * len(IDS)
    code, _, err = run("questions", "--ask", "--out", out, typed="\n".join(typed) + "\n")
    assert code == 0, err
    assert err.count("is no day up to today") == 2
    assert q.of_whom(out) == ("wren", "2026-05-02")
    stop = ["yes"] + ["no"] * (len(IDS) - 1) + ["A. Doc, 9999-12-31"]
    whose = ("--case", "wren", "--on", "2026-05-02")
    other = tmp_path / "b.toml"
    code, _, err = run("questions", "--ask", *whose, "--out", other, typed="\n".join(stop) + "\n")
    assert code == 3
    assert "'9999-12-31' lies in the future" in err
    assert not other.exists()


def test_answers_are_of_the_rider_that_their_file_names(tmp_path):
    path = tmp_path / "answers.toml"
    path.write_text(q.as_toml({"wound": "no"}, case="wren", day="2026-05-02"), encoding="utf-8")
    assert q.of_whom(path) == ("wren", "2026-05-02")
    q.refuse_others(path, "wren")
    with pytest.raises(RefusedError, match="holds the answers of 'wren', asked on 2026-05-02, and"):
        q.refuse_others(path, "teal")
    path.write_text('[answers]\nwound = "no"\n', encoding="utf-8")  # written before it was asked
    assert q.of_whom(path) == ("", "")
    q.refuse_others(path, "teal")
    for text, match in (("case = 3", "case must be"), ("date = 'May'", "date must be a day")):
        path.write_text(text, encoding="utf-8")
        with pytest.raises(PlanError, match=match):
            q.of_whom(path)


def test_answers_go_through_their_file(tmp_path):
    path = tmp_path / "answers.toml"
    path.write_text(q.as_toml({"diabetes": "no"}, 'A "B"'), encoding="utf-8")
    answers, clinician = q.read(path)
    assert clinician == 'A "B"'
    assert answers == {name: "no" if name == "diabetes" else "not asked" for name in IDS}
    with pytest.raises(PlanError, match="must be one of"):
        q.as_toml({"diabetes": "perhaps"})


def test_questions_are_asked_step_by_step(run: Run, tmp_path: Path) -> None:
    """Typed: no, skipped, the rest no; a wrong word is asked again."""
    typed = ["no", "", "maybe", "n", "N", " No "] + ["no"] * (len(IDS) - 5)
    out = tmp_path / "answers.toml"
    whose = ("--case", "wren", "--on", "2026-05-02")
    code, said, err = run("questions", "--ask", *whose, "--out", out, typed="\n".join(typed) + "\n")
    assert code == 0, err
    assert q.of_whom(out) == ("wren", "2026-05-02")
    assert "'maybe' is no answer here: type yes or no, y or n" in err
    assert "the answers are in" in said
    assert f"not asked: {IDS[1]}; what was not asked" in err
    answers = q.read(out)[0]
    assert answers.pop(IDS[1]) == "not asked"
    assert set(answers.values()) == {"no"}
    code, _, err = run("questions", "--ask", "--out", out)
    assert code == 2
    assert "is there already and is kept" in err


def test_a_stop_is_written_down_and_said(run: Run, tmp_path: Path) -> None:
    typed = ["teal", "2026-05-02", "Y"] + ["no"] * (len(IDS) - 1) + [""]
    code, _, err = run(
        "questions", "--ask", "--out", tmp_path / "a.toml", typed="\n".join(typed) + "\n"
    )
    assert code == 4
    assert "no parts can be made: answered yes to diabetes" in err
    assert q.read(tmp_path / "a.toml")[0]["diabetes"] == "yes"
    assert q.of_whom(tmp_path / "a.toml") == ("teal", "2026-05-02")


def test_a_page_filled_in_by_pen_only_holds_no_answer(run: Run, tmp_path: Path) -> None:
    sheet, out = tmp_path / "page.pdf", tmp_path / "a.toml"
    assert run("questions", "--sheet", sheet)[0] == 0
    code, said, err = run("questions", "--from", sheet, "--out", out)
    assert (code, said) == (3, "")
    assert "page.pdf holds no answer: fill it in on the screen" in err
    code, _, err = run("questions", "--ask", "--out", out, typed="\n" * (len(IDS) + 2))
    assert code == 3
    assert "no question was answered; nothing was written" in err
    assert not out.exists()


def test_a_sheet_goes_out_and_comes_back(
    run: Run, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    sheet, back, out = (tmp_path / name for name in ("s.pdf", "f.pdf", "a.toml"))
    assert run("questions", "--sheet", sheet)[0] == 0
    filled(sheet, back, dict.fromkeys(IDS, "no"))
    code, _, err = run("questions", "--from", back, "--out", out, "--case", "wren")
    assert (code, err) == (0, "")
    assert q.of_whom(out) == ("wren", "")
    assert q.read(out)[0] == dict.fromkeys(IDS, "no")
    monkeypatch.setattr(question_sheet, "read_whose", lambda path: ("birch", "2026-05-02"))
    other = tmp_path / "other.toml"
    code, _, err = run("questions", "--from", back, "--out", other, "--case", "wren")
    assert code != 0
    assert "holds the answers of 'birch', not of 'wren'" in err
    assert not other.exists()
    assert run("questions", "--from", back, "--out", other)[0] == 0
    assert q.of_whom(other) == ("birch", "2026-05-02")
    code, _, err = run("questions", "--from", back)
    assert code == 2
    assert "--out FILE.toml" in err
