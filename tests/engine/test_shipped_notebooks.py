"""The committed notebooks: numbered, clean, and holding no logic of their own."""

from __future__ import annotations

import ast

import nbformat
import pytest

from trialkit import shipped

BOOKS = shipped.notebooks()


def test_check_and_report_are_there_in_the_order_of_the_job():
    names = [path.stem for path in BOOKS]
    assert names == sorted(names)
    assert {"2-check", "3-report"} <= set(names)


@pytest.mark.parametrize("path", BOOKS, ids=lambda path: path.stem)
def test_no_outputs_are_committed(path):
    book = nbformat.read(path, as_version=4)
    nbformat.validate(book)
    for cell in book.cells:
        assert not cell.get("outputs")
        assert cell.get("execution_count") is None


@pytest.mark.parametrize("path", BOOKS, ids=lambda path: path.stem)
def test_one_cell_is_tagged_parameters_and_the_others_only_call(path):
    book = nbformat.read(path, as_version=4)
    code = [cell for cell in book.cells if cell.cell_type == "code"]
    tagged = [cell for cell in code if "parameters" in cell.metadata.get("tags", [])]
    assert len(tagged) == 1
    for cell in code:
        if cell in tagged:
            continue
        for statement in ast.parse(cell.source).body:
            plain = ast.ImportFrom | ast.Import | ast.Expr | ast.Assign
            assert isinstance(statement, plain), ast.unparse(statement)
            if isinstance(statement, ast.Expr | ast.Assign):
                assert isinstance(statement.value, ast.Call), ast.unparse(statement)


def test_the_pictures_of_the_mixed_models_have_words_for_who_cannot_see_them():
    [path] = [path for path in BOOKS if path.stem == "6-mixed-models"]
    drawn = [cell.source for cell in nbformat.read(path, as_version=4).cells
             if cell.cell_type == "code" and ".plot(" in cell.source]
    assert len(drawn) == 4
    assert all('metadata={"image/png": {"alt": ' in source for source in drawn)
