"""What a notebook calls: open the log, show a figure, a table or a sentence, and record the numbers behind them.

Everything goes out as ordinary notebook output, so a notebook opened by hand shows what the report's page shows.
"""

from __future__ import annotations

import base64
import html
import io
import sys
import tempfile
from functools import cache
from pathlib import Path
from typing import TYPE_CHECKING

from IPython.display import display

from afterdip.report.strict import plain

if TYPE_CHECKING:
    from matplotlib.figure import Figure

    from afterdip.log import Log
    from afterdip.tables.base import Table

ANSWER = "application/vnd.afterdip.answer+json"  # shown by no notebook program: the numbers travel unseen
CAPTION = {"afterdip": "caption"}  # marks the output that belongs to the figure before it
DPI = 200  # sharp on a phone and on paper; a figure of the house's width stays near 50 kB
CSS_PIXELS = 120  # to an inch of figure: the house's width fills the measure of the text


def open_log(log: str, *, as_of: str) -> Log:
    """Return the validated log at `log`: "demo" for the demo farm's, else a folder or a workbook.

    A relative path counts from the working directory. Raises DataError with every problem of the log. The tables are
    shared between the notebooks of one report: do not change them.
    """
    from afterdip.log import read_log

    return read_log(demo_log() if log == "demo" else Path(log), as_of=as_of)


def demo_log() -> Path:
    """Return the folder of the demo farm's log: the checkout's own, else one written from its seed."""
    shipped = Path(__file__).parents[3] / "data" / "demo" / "log"
    return shipped if shipped.is_dir() else Path(_written_demo().name)


@cache
def _written_demo() -> tempfile.TemporaryDirectory:
    """Write the demo farm into a folder that lives as long as this process."""
    from afterdip.demo import write_demo

    folder = tempfile.TemporaryDirectory(prefix="afterdip-demo-")
    write_demo(Path(folder.name))
    return folder


def show_figure(fig: Figure, *, alt: str, caption: str = "") -> None:
    """Show a figure and close it; `alt` says in words what it shows, `caption` stands below it.

    Raises ValueError for an empty `alt`: a figure nobody can be told of is no figure.
    """
    if not alt.strip():
        raise ValueError("a figure needs an alt text: what would you tell someone who cannot see it?")
    png = _png(fig)
    width = round(fig.get_figwidth() * CSS_PIXELS)
    if pyplot := sys.modules.get("matplotlib.pyplot"):  # house figures need no pyplot; others are on its list
        pyplot.close(fig)
    data = {"image/png": base64.b64encode(png).decode("ascii"), "text/plain": alt}
    display(data, metadata={"image/png": {"alt": alt, "width": width}}, raw=True)
    if caption:
        data = {"text/html": f"<figcaption>{html.escape(caption)}</figcaption>", "text/plain": caption}
        display(data, metadata=CAPTION, raw=True)


def _png(fig: Figure) -> bytes:
    """Return the figure in 256 colours: no eye tells a chart in them from one in all, and it is a third of the size."""
    from matplotlib.backends.backend_agg import FigureCanvasAgg
    from PIL import Image

    fig.set_dpi(DPI)
    canvas = FigureCanvasAgg(fig)
    canvas.draw()  # savefig would draw twice: once to lay the parts out, which drawing does anyway
    picture = Image.frombytes("RGB", canvas.get_width_height(), canvas.buffer_rgba(), "raw", "RGBX", 0, 1)
    picture = picture.quantize(256, method=Image.Quantize.FASTOCTREE, dither=Image.Dither.NONE)
    picture.putpalette([255 if channel > 252 else channel for channel in picture.getpalette()])  # paper is white
    small = io.BytesIO()
    picture.save(small, format="png")
    return small.getvalue()


def show_table(table: Table) -> None:
    """Show a printable table."""
    display({"text/html": table.to_html(), "text/plain": table.caption}, raw=True)


def show_text(text: str) -> None:
    """Show one paragraph of plain words; nothing in it is read as markup."""
    display({"text/html": f"<p>{html.escape(text)}</p>", "text/plain": text}, raw=True)


def record(name: str, payload: dict | list) -> None:
    """Put an answer's numbers into results.json under `name`; shows nothing.

    Raises ValueError, naming the place, for what JSON cannot hold (NaN, infinities, unknown types).
    """
    if not name.isidentifier():
        raise ValueError(f"record: the name must be a plain word, got {name!r}")
    if not isinstance(payload, (dict, list)):
        raise ValueError(f"record: an answer is a dict or a list, got {type(payload).__name__}")
    display({ANSWER: {"name": name, "answer": plain(payload, name)}}, raw=True)
