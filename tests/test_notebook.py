"""The notebook runs as printed, and values show themselves."""

from __future__ import annotations

from pathlib import Path

import nbclient
import nbformat
import pytest

NOTEBOOKS = sorted((Path(__file__).parent.parent / "notebooks").glob("*.ipynb"))


@pytest.fixture(scope="module", params=NOTEBOOKS, ids=[path.stem for path in NOTEBOOKS])
def executed(request: pytest.FixtureRequest) -> nbformat.NotebookNode:
    """A notebook, run from top to bottom in its own folder, with a cell of ours at the end."""
    notebook = nbformat.read(request.param, as_version=4)
    notebook.cells.append(
        nbformat.v4.new_code_cell(
            "assert not plan.same_as(tuned)\n"
            "assert tuned.heights is plan.heights\n"
            "elevation, plan.heights, board"
        )
    )
    for value in ("elevation", "plan.heights", "board"):
        notebook.cells.append(nbformat.v4.new_code_cell(value))
    client = nbclient.NotebookClient(
        notebook, timeout=300, resources={"metadata": {"path": str(request.param.parent)}}
    )
    client.execute()
    return notebook


def test_there_is_a_notebook() -> None:
    """The folder opens with the first board."""
    assert [path.name for path in NOTEBOOKS] == ["first_board.ipynb"]


def test_values_show_themselves(executed: nbformat.NotebookNode) -> None:
    """Every cell that ends in a value has a picture or a table, not only text."""
    shown = [
        output["data"]
        for cell in executed.cells
        for output in cell.get("outputs", [])
        if output["output_type"] == "execute_result"
    ]
    pictures = [data for data in shown if "text/html" in data]
    assert len(pictures) == len(shown) - 1  # the tuple of three shows as text
    assert all(
        any(mark in data["text/html"] for mark in ("<svg", "<img", "<table", "<p>"))
        for data in pictures
    )


def test_outputs_are_stored(executed: nbformat.NotebookNode) -> None:
    """The notebook in the repository is an executed one."""
    stored = nbformat.read(NOTEBOOKS[0], as_version=4)
    code = [cell for cell in stored.cells if cell.cell_type == "code"]
    assert all(cell["execution_count"] for cell in code)
    assert any("text/html" in output.get("data", {}) for cell in code for output in cell.outputs)
