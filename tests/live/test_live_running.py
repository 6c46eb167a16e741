"""What watchers of a live session ask for happens, and all of them see it."""

from __future__ import annotations

import os
import signal

from site_lab import Bench, Watcher


def test_what_a_watcher_asks_for_happens_and_all_watchers_see_it(tmp_path):
    with Bench(tmp_path) as bench, bench.client() as one, bench.client() as other:
        first, second = Watcher(one), Watcher(other)
        plan = first.next("plan")
        cut = next(f for f in plan["faults"] if f["places"] == ["gap:gauge|rear"])
        first.do(do="set", input="lights", value="position")
        assert second.next("state", lambda state: state["loads"].get("tail_left") == 1.0)
        first.do(do="apply", fault=cut["number"])
        assert second.next("state", lambda state: state["notices"]["rear_lost"])
        second.do(do="clear", fault=cut["number"])
        assert first.next("state", lambda state: not state["faults"])
        first.do(do="pause")
        assert second.next("state", lambda state: state["paused"])
        first.do(do="save", name="two")
        assert first.next("said").startswith("Saved as two.toml. Again: linkloss run ")
        assert (tmp_path / "two.toml").is_file()
        told = second.next("state", lambda state: state["saved"] and state["saved"][0]["text"])
        assert told["saved"][0]["name"] == "two.toml"
        assert "0 broken" in told["saved"][0]["text"]
        second.do(do="anew")
        assert second.next("said").startswith("Begun anew")
        assert first.next("state", lambda state: state["session"] == 1)["faults"] == []


def test_a_session_that_fails_says_so(tmp_path):
    with Bench(tmp_path) as bench, bench.client() as client:
        watcher = Watcher(client)
        watcher.next("state")
        bench.live.pacer.enter(lambda at_ns: 1 / 0)
        told = watcher.next("state", lambda state: state["failed"])
        assert "ZeroDivisionError" in told["failed"]
        watcher.do(do="save", name="lost")
        assert "the session is over" in watcher.next("refused")


def test_who_comes_after_a_session_has_failed_is_told_too(tmp_path):
    with Bench(tmp_path) as bench:
        bench.live.pacer.enter(lambda at_ns: 1 / 0)
        bench.running._threads[0].join(5)
        with bench.client() as client:
            watcher = Watcher(client)
            assert "division by zero" in watcher.next("state")["failed"]
            watcher.do(do="anew")
            assert watcher.next("state", lambda state: state["at"] > 0 and not state["failed"])


def test_two_who_save_under_one_name_get_two_files(tmp_path):
    with Bench(tmp_path) as bench, bench.client() as client:
        watcher = Watcher(client)
        for _ in range(2):
            watcher.do(do="save", name="drive")
            assert watcher.next("said")
    assert sorted(path.name for path in tmp_path.iterdir()) == ["drive-2.toml", "drive.toml"]


def test_a_judge_whose_process_ends_says_so_and_the_session_goes_on(tmp_path):
    with Bench(tmp_path) as bench, bench.client() as client:
        watcher = Watcher(client)
        watcher.next("state", lambda state: state["judged"])
        bench.running._judge.result().process.kill()
        told = watcher.next("state", lambda state: state["unjudged"])
        assert told["unjudged"] == "the judge stopped with an error: its process has ended"
        watcher.do(do="save", name="alone")
        assert "alone.toml" in watcher.next("said")
        later = watcher.next("state", lambda state: state["saved"])
        assert later["saved"][0]["text"] == f"It was not judged: {told['unjudged']}."
        assert later["failed"] == ""


def test_while_a_saved_session_is_judged_states_and_commands_go_on(tmp_path):
    """The judge takes as long as it likes: here until it is told to go on."""
    with Bench(tmp_path) as bench, bench.client() as client:
        watcher = Watcher(client)
        watcher.next("state", lambda state: state["judged"])
        process = bench.running._judge.result().process.pid
        os.kill(process, signal.SIGSTOP)
        watcher.do(do="save", name="long")
        assert watcher.next("said")
        watcher.do(do="set", input="ignition", value="on")
        told = watcher.next("state", lambda state: state["inputs"]["ignition"] == "on")
        assert told["saved"][0]["text"] == ""
        start = told["at"]
        assert watcher.next("state", lambda state: state["at"] > start + 300_000)
        os.kill(process, signal.SIGCONT)
        told = watcher.next("state", lambda state: state["saved"][0]["text"])
        assert "0 broken" in told["saved"][0]["text"]


def test_what_is_begun_anew_does_not_take_the_judgement_of_what_was_saved(tmp_path):
    with Bench(tmp_path) as bench, bench.client() as client:
        watcher = Watcher(client)
        watcher.next("state", lambda state: state["judged"])
        watcher.do(do="save", name="first")
        watcher.do(do="anew")
        told = watcher.next(
            "state",
            lambda state: state["session"] == 1 and state["saved"] and state["saved"][0]["text"],
        )
        assert "kept" in told["saved"][0]["text"]
        assert watcher.next("state", lambda state: state["judged"])["unjudged"] == ""
