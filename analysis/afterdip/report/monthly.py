"""The monthly report: from a log and a month to a folder with index.html, a page per notebook and results.json."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Mapping, Sequence
from pathlib import Path
from types import MappingProxyType
from typing import TYPE_CHECKING

from afterdip.report.notebook import Notebook, NotebookError, read_notebook
from afterdip.report.write import INDEX, RESULTS, FolderError, check_folder, new_report

if TYPE_CHECKING:
    from afterdip.log import Log

# The order of the pages; a notebook not named here comes after these, by name.
ORDER = ("survival", "removal", "dose_response", "comparison", "labour", "follow_up", "quality")


def find_notebooks(folder: Path | None = None, *, only: Iterable[str] = ()) -> list[Notebook]:
    """Return the notebooks of a folder (by default the package's own) in the order of the report.

    `only`: names of pages to keep; an unknown one is a NotebookError, as is a folder without notebooks.
    """
    folder = folder or notebooks_folder()
    place = {name: i for i, name in enumerate(ORDER)}
    paths = sorted(folder.glob("[!.]*.ipynb"), key=lambda path: (place.get(path.stem, len(place)), path.stem))
    wanted = list(only)
    if unknown := [name for name in wanted if name not in {path.stem for path in paths}]:
        known = ", ".join(path.stem for path in paths)
        raise NotebookError(f"there is no page '{unknown[0]}'; the pages are {known}")
    if not paths:
        raise NotebookError(f"no notebooks in {folder}")
    return [read_notebook(path) for path in paths if not wanted or path.stem in wanted]


def notebooks_folder() -> Path:
    """Return where the notebooks lie: within the installed package, or beside it in a checkout."""
    package = Path(__file__).parents[1]
    installed = package / "notebooks"
    return installed if installed.is_dir() else package.parents[1] / "notebooks"


def write_report(
    log_path: Path,
    out: Path,
    *,
    month: str,
    as_of: str,
    notebooks: Sequence[Notebook],
    jobs: int = 2,
    done: Callable[[Notebook], None] = lambda notebook: None,
    more: Mapping[str, object] = MappingProxyType({}),
    paper: str = "",
) -> dict:
    """Read the log, run the notebooks, render their pages and put the report at `out`; returns results.json.

    `more`: parameters beyond log, month and as_of, which every notebook given must declare. `paper`: a4 or letter for
    a PDF of the whole month beside the pages, "" for none.

    Raises DataError with every problem of the log before anything is written, PageError for a page that fails,
    NotebookError for parameters a notebook does not declare, FolderError and OSError for the folder, PdfError where no
    PDF can be made. Whatever happens, `out` holds either the new report whole or what it held before.
    """
    from afterdip.log import read_log
    from afterdip.report.earlier import last_report
    from afterdip.report.results import unchanged
    from afterdip.report.run import run_notebooks

    log_path, out = Path(log_path).resolve(), Path(out).resolve()
    log = read_log(log_path, as_of=as_of)
    if out == log_path or log_path in out.parents:
        raise FolderError(f"{out} lies in the log, which is never written to; choose another folder with --out")
    check_folder(out)
    parameters = {"log": str(log_path), "month": month, "as_of": as_of, **more}
    where_asked = {"last_report": last_report(out, month)}
    with new_report(out) as folder:
        nodes = run_notebooks(notebooks, parameters, jobs=jobs, done=done, where_asked=where_asked)
        unchanged(log, read_log(log_path, as_of=as_of))
        results = _write_files(folder, log, list(zip(notebooks, nodes, strict=True)), parameters)
        if paper:
            from afterdip.report.pdf import write_pdf

            write_pdf(folder, results, paper=paper)
        return results


def _write_files(folder: Path, log: Log, pages: list, parameters: dict) -> dict:
    from afterdip.report.index import render_index
    from afterdip.report.pages import render_page
    from afterdip.report.results import check_results, collect
    from afterdip.report.strict import dumps

    results = collect(log, pages, month=parameters["month"], as_of=parameters["as_of"], parameters=parameters)
    check_results(results)
    files = {f"{notebook.name}.html": render_page(notebook, node, results) for notebook, node in pages}
    files |= {INDEX: render_index(results), RESULTS: dumps(results)}
    for name, text in files.items():
        (folder / name).write_text(text, encoding="utf-8", newline="\n")
    return results
