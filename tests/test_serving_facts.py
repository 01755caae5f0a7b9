"""What a serving plan warns of, and what is left of one whose saving was killed."""

import os
import signal
import sys

import pytest

from metasense.planning.serving import ServingPlan, serve


@pytest.mark.parametrize("seed", [1, 2**16, 20250301, 2**64 - 1])
def test_a_seed_that_someone_could_try_out_is_warned_of(seed):
    plan = serve("triangle", 12, panel="P1", samples=("old", "new"), seed=seed)
    assert any("this seed can be guessed" in warning for warning in plan.warnings)


def test_a_seed_drawn_for_the_plan_is_not():
    plan = serve("triangle", 12, panel="P1", samples=("old", "new"))
    assert not any("seed" in warning for warning in plan.warnings)


def writes(event, arguments, folder):
    """Whether an audited event changes something in the folder."""
    if event == "open":
        path, _, flags = arguments
        wanted = isinstance(flags, int) and flags & (os.O_WRONLY | os.O_RDWR | os.O_CREAT)
        return bool(wanted) and isinstance(path, str) and path.startswith(folder)
    if event in ("os.mkdir", "os.rename", "os.remove", "os.rmdir", "os.link"):
        return str(os.fspath(arguments[0])).startswith(folder)
    return False


def saved_and_killed(plan, folder, step):
    """Save the plan in a process that is killed before its so-manieth change on the disk; whether it came to its end."""
    child = os.fork()
    if not child:
        done = 0

        def watch(event, arguments):
            nonlocal done
            if writes(event, arguments, str(folder.parent)):
                done += 1
                if done == step:
                    os.kill(os.getpid(), signal.SIGKILL)

        sys.addaudithook(watch)
        try:
            plan.save(folder)
        finally:
            os._exit(0)
    return os.waitstatus_to_exitcode(os.waitpid(child, 0)[1]) == 0


@pytest.mark.skipif(not hasattr(os, "fork"), reason="forks the writers")
def test_a_plan_whose_saving_is_killed_is_there_whole_with_its_key_or_not_at_all(tmp_path):
    plan = serve("triangle", 6, panel="P1", samples=("old", "new"), allergens=[], hazards=[])
    whole = sorted(str(path.relative_to(tmp_path / "whole")) for path in plan.save(tmp_path / "whole").rglob("*"))
    step = 1
    ended = False
    while not ended:
        folder = tmp_path / f"try{step}" / "plan"
        folder.parent.mkdir()
        ended = saved_and_killed(plan, folder, step)
        if folder.exists() and any(folder.iterdir()):
            there = sorted(str(path.relative_to(folder)) for path in folder.rglob("*"))
            assert there == whole, f"killed before change {step}: {there}"
            assert ServingPlan.read(folder).cups.equals(plan.cups)
        step += 1
    assert step > 10  # it was killed at many places


def test_a_folder_with_a_part_of_a_plan_is_not_written_over(tmp_path):
    (tmp_path / "plan").mkdir()
    (tmp_path / "plan" / "trays.csv").write_text("of another plan")
    with pytest.raises(FileExistsError):
        serve("triangle", 6, allergens=[], hazards=[]).save(tmp_path / "plan")
    assert (tmp_path / "plan" / "trays.csv").read_text() == "of another plan"
