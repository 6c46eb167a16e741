"""What watchers of a live session ask for happens, and all of them see it."""

from __future__ import annotations

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
        assert "0 broken" in first.next("said")
        assert (tmp_path / "two.toml").is_file()
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
        bench.running._thread.join(5)
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


def test_a_judge_that_fails_says_so_and_the_session_goes_on(tmp_path, monkeypatch):
    def stumble(_watcher):
        raise KeyError("nowhere")

    monkeypatch.setattr("linkloss.live.view.Watcher.look", stumble)
    with Bench(tmp_path) as bench, bench.client() as client:
        watcher = Watcher(client)
        told = watcher.next("state", lambda state: state["unjudged"])
        assert told["unjudged"] == "the judge stopped with an error: KeyError: 'nowhere'"
        assert watcher.next("state", lambda state: state["at"] > told["at"])["failed"] == ""
