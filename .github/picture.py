"""Draw the picture in README.md: the answer of the cider panels, as 100 equally likely truths.

Run it after a change to the demo data, the model or the figure; a test holds the title against today's numbers.
"""

import base64
import html
from pathlib import Path

from matplotlib.figure import Figure

import metasense as ms
from metasense.showing import figures

HERE = Path(__file__).parent


def drawing() -> figures.Drawing:
    """The first figure that a notebook cell with the pool shows, and the sentence that says what it shows."""
    margin = ms.Margin(p_d=0.2, protocol="triangle")
    return ms.pool(HERE.parent / "datasets" / "cider_fining.csv", margin=margin).picture("strip")


if __name__ == "__main__":
    shown = drawing()
    source = figures.figure_to_data_uri(shown.draw(Figure()))
    picture = base64.b64decode(source.partition(",")[2]).decode()
    start = picture.index(">", picture.index("<svg")) + 1
    titled = f"{picture[:start]}\n <title>{html.escape(shown.alt)}</title>{picture[start:]}"
    (HERE / "answer.svg").write_text(titled, encoding="utf-8")
    print(f"![{shown.alt}](.github/answer.svg)")
