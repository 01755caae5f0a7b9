"""Reports as a user writes them: where they may go, and what writing several at once leaves behind."""

import os
import stat
import sys
from concurrent.futures import ThreadPoolExecutor

import matplotlib as mpl
import pytest
from matplotlib.figure import Figure

import metasense as ms
from metasense.showing import figures
from metasense.showing.pages import Page, Section, picture, write_report


@pytest.mark.skipif(not hasattr(os, "mkfifo"), reason="pipes of POSIX")
@pytest.mark.parametrize("where", ["pipe.html", "link.html"])
def test_a_report_never_takes_the_place_of_a_pipe_or_what_leads_to_one(where, tmp_path):
    os.mkfifo(tmp_path / "pipe.html")
    (tmp_path / "link.html").symlink_to(tmp_path / "pipe.html")  # never a real device: a fault would replace it
    result = ms.pool({"panel": ["A", "B"], "protocol": "triangle", "tastings": 24, "correct": [12, 9]})
    with pytest.raises(FileExistsError, match=where.replace(".", r"\.")):
        result.report(tmp_path / where)
    assert stat.S_ISFIFO(os.stat(tmp_path / "pipe.html").st_mode)
    assert (tmp_path / "link.html").is_symlink()


def test_reports_written_in_eight_threads_leave_no_setting_changed(tmp_path):
    def write(i):
        shown = picture(figures.bars(["a", "b"], [0.3, 0.7], ax=Figure()), alt="bars")
        write_report(Page(title="t", answer="a", sections=(Section("s", (shown,)),)), tmp_path / f"page{i}.html")

    write(0)
    before = dict(mpl.rcParams)
    switch = sys.getswitchinterval()
    sys.setswitchinterval(1e-4)  # threads take turns as often as can be
    try:
        with ThreadPoolExecutor(8) as threads:
            list(threads.map(write, range(1, 9)))
    finally:
        sys.setswitchinterval(switch)
    changed = {name for name, value in mpl.rcParams.items() if before[name] != value}
    mpl.rcParams.update({name: before[name] for name in changed})
    assert changed == set()
