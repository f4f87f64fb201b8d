"""The trial from a log to paper and back: dealt by lot, sealed, and the filled-in form is a log."""

import csv
import json
from pathlib import Path

import pandas as pd
import pytest

from afterdip.answers.comparison import answer_comparison
from afterdip.answers.trial import answer_trial
from afterdip.cli import main
from afterdip.log import read_log
from afterdip.report.trial_sheets import form_tables, write_trial
from afterdip.tables.trial import plan_sentence, plan_table
from afterdip.trial import difference_shown
from builders import small_log, write_log

DEMO = Path(__file__).parents[1] / "data" / "demo" / "log"
AS_OF = "2026-11-20"
AGENTS = ("worm-bath", "oil-drip")


@pytest.fixture(scope="module")
def demo():
    return read_log(DEMO, as_of=AS_OF)


@pytest.fixture(scope="module")
def plan(demo):
    return answer_trial(demo, agents=AGENTS, as_of=AS_OF, seed=7)


def test_the_same_seed_deals_the_same_sheets(demo, plan):
    assert answer_trial(demo, agents=AGENTS, as_of=AS_OF, seed=7) == plan
    assert answer_trial(demo, agents=AGENTS, as_of=AS_OF, seed=8).blocks != plan.blocks


def test_blocks_hold_like_pieces_and_every_agent_evenly(plan):
    assert len(plan.blocks) == 12
    codes = [code for block in plan.blocks for _, code, _ in block.sessions]
    assert len(set(codes)) == 24
    for block in plan.blocks:
        assert sorted(agent for *_, agent in block.sessions) == sorted(AGENTS)
        baths = [slot.session for slot in block.trays]
        assert {baths.count(session) for session, *_ in block.sessions} == {plan.trays_per_session}
    first = [block.sessions[0][2] for block in plan.blocks]
    assert len(set(first)) == 2  # the order of the baths is dealt too


def test_groups_an_agent_is_not_for_are_left_out(demo):
    barred = answer_trial(demo, agents=("worm-bath", "peroxide-short"), as_of=AS_OF)
    assert "sps" in barred.left_out
    assert "sps" not in {block.coral_group for block in barred.blocks}
    assert "Left out" in plan_sentence(barred)


def test_blocks_follow_the_farm_s_mix(demo):
    many = answer_trial(demo, agents=AGENTS, as_of=AS_OF, blocks=100)
    trays = demo.trays.merge(demo.sessions[["session", "date"]], on="session")
    recent = trays[trays["date"] > "2025-11-20"]
    share = recent.groupby("coral_group")["pieces"].sum() / recent["pieces"].sum()
    for group, part in share.items():
        blocks = sum(block.coral_group == group for block in many.blocks)
        assert abs(blocks - 100 * part) < 1.5 or group in many.left_out


def test_what_is_needed_is_what_the_comparison_says(plan):
    found = plan.to_json()
    assert found["sessions_per_agent"] == max(p["per_agent"] for p in found["pairs"])
    assert json.loads(json.dumps(found, allow_nan=False)) == found
    assert len(plan_table(plan).rows) == 2
    assert "sessions per agent" in plan_sentence(plan)


def test_the_plan_says_what_its_own_sheets_would_show(demo, plan):
    kill, loss = plan.shown_by_blocks
    pair = plan.needed[AGENTS]
    assert kill == difference_shown(pair.kill, 12) > plan.kill_margin  # twelve sessions are far fewer than are needed
    assert f"differences from {100 * loss:.0f} points up in loss" in plan_sentence(plan)
    three = answer_trial(demo, agents=(*AGENTS, "salt-step"), as_of=AS_OF)
    assert three.shown_by_blocks[0] == max(difference_shown(n.kill, 12) for n in three.needed.values())
    assert "worm-bath, oil-drip and salt-step" in plan_sentence(three)
    few = answer_trial(demo, agents=AGENTS, as_of=AS_OF, blocks=5)
    assert few.shown_by_blocks == (None, None)
    assert "By themselves they give no verdict, which takes 6 sessions per agent" in plan_sentence(few)


def test_three_agents_make_three_pairs(demo):
    plan = answer_trial(demo, agents=(*AGENTS, "salt-step"), as_of=AS_OF, blocks=3, trays_per_session=2)
    assert len(plan.needed) == 3
    assert all(len(block.trays) == 6 for block in plan.blocks)


def test_two_strengths_of_one_agent_are_dealt_and_the_form_names_the_agent(demo):
    """Half the usual strength of peroxide against double: of the demo's own sessions, 300 and 1,200 mg/L."""
    names = ("peroxide-short at 300 mg/L", "peroxide-short at 1200 mg/L")
    plan = answer_trial(demo, agents=names, as_of=AS_OF, blocks=2)
    assert [arm.strength.median for arm in plan.arms] == pytest.approx([300, 1200], rel=0.001)
    assert {agent for block in plan.blocks for _, _, agent in block.sessions} == set(plan.agents)
    columns, rows = form_tables(plan)["sessions"]
    assert {row[columns.index("agent")] for row in rows} == {"peroxide-short"}
    assert "Keep each bath at the strength dealt to it." in plan_sentence(plan)
    mixed = plan_sentence(answer_trial(demo, agents=(names[0], "salt-step"), as_of=AS_OF, blocks=2))
    assert "Strengths are dealt where they are named: keep every other agent at one." in mixed
    needed = plan.needed[plan.agents].kill
    assert needed.total == answer_comparison(
        demo, first=names[0], second=names[1], as_of=AS_OF
    ).judged.needed.kill.total
    with pytest.raises(ValueError, match="itself: peroxide-short"):
        answer_trial(demo, agents=("peroxide-short", names[0]), as_of=AS_OF)


def test_misuse_is_refused(demo, tmp_path):
    with pytest.raises(ValueError, match="two agents or more"):
        answer_trial(demo, agents=("worm-bath",), as_of=AS_OF)
    with pytest.raises(ValueError, match="no agent 'x'"):
        answer_trial(demo, agents=("worm-bath", "x"), as_of=AS_OF)
    tables = small_log()
    for name in ("trays", "checks", "pests"):
        tables[name]["tray"] = tables[name]["tray"].str.replace("T0", "T-")
    tables["trays"]["earlier_tray"] = tables["trays"]["earlier_tray"].str.replace("T0", "T-")
    log = read_log(write_log(tables, tmp_path / "log"), as_of=AS_OF)
    with pytest.raises(ValueError, match=r"begin with 'T-' \(T-1\)"):
        answer_trial(log, agents=("IOD", "POW"), as_of=AS_OF)
    assert answer_trial(log, agents=("IOD", "POW"), as_of=AS_OF, prefix="R", blocks=2).blocks[0].trays


def test_sheets_show_no_agent_and_nothing_from_elsewhere(plan, demo, tmp_path):
    write_trial(plan, demo, tmp_path, sentence="A plan.")
    sheets, key = ((tmp_path / name).read_text() for name in ("sheets.html", "sealed-key.html"))
    body = sheets.split("Block 1:")[1]
    assert not any(agent in body for agent in AGENTS)
    assert all(code in sheets and code in key for b in plan.blocks for _, code, _ in b.sessions)
    for text in (sheets, key):
        assert "http" not in text
        assert "<script" not in text
    with pytest.raises(FileExistsError, match="dealt only once"):
        write_trial(plan, demo, tmp_path, sentence="A plan.")


def test_hostile_names_are_text(plan, demo, tmp_path):
    from dataclasses import replace

    block = replace(plan.blocks[0], source="<script>alert(1)</script>")
    write_trial(replace(plan, blocks=(block,)), demo, tmp_path, sentence="<b>x</b>")
    assert "<script" not in (tmp_path / "sheets.html").read_text()
    assert "&lt;b&gt;" in (tmp_path / "sheets.html").read_text()


def test_a_filled_in_form_is_a_log(tmp_path):
    """Put figures into the blanks, lay the rows under the farm's own tables, and read the whole."""
    tables = small_log()
    log = read_log(write_log(tables, tmp_path / "log"), as_of=AS_OF)
    plan = answer_trial(log, agents=("IOD", "POW"), as_of=AS_OF, blocks=2, trays_per_session=2)
    for name, (columns, rows) in form_tables(plan).items():
        new = pd.DataFrame(rows, columns=columns)
        if name == "sessions":
            iod = new["agent"] == "IOD"
            new = new.assign(
                started="2026-10-12T09:00", amount="1", amount_unit="g", bath_volume="10", bath_volume_unit="L",
                minutes="10",
            )  # fmt: skip
            new.loc[iod, ["amount", "amount_unit"]] = ["20", "mL"]
        if name == "trays":
            new = new.assign(coral="Montipora digitata", pieces="10")
        if name == "checks":
            days = new.groupby("tray").cumcount().map(dict(enumerate(plan.check_days)))
            checked = pd.Timestamp("2026-10-12") + pd.to_timedelta(days, unit="D")
            new = new.assign(checked=checked.dt.strftime("%Y-%m-%d"), alive="10", dead="0", detached="0", removed="0")
        if name == "pests":
            new = new.assign(pest="flatworm", stage="adult", counted="2026-10-12", examined="10", alive="0", dead="0")
        tables[name] = pd.concat([tables[name], new[tables[name].columns]], ignore_index=True)
    whole = read_log(write_log(tables, tmp_path / "whole"), as_of=AS_OF)
    assert len(whole.sessions) == len(log.sessions) + 4
    assert whole.sessions["randomised"].fillna(False).astype(bool).sum() == 2 + 4


def test_the_command(tmp_path, capsys):
    arguments = ["trial", str(DEMO), "--agents", "worm-bath,oil-drip", "--as-of", AS_OF, "--blocks", "2"]
    assert main([*arguments, "--out", str(tmp_path / "t")]) == 0
    assert "sessions per agent" in capsys.readouterr().out
    with (tmp_path / "t" / "log-to-fill-in" / "trays.csv").open() as file:
        rows = list(csv.DictReader(file))
    assert len(rows) == 2 * 2 * 3
    assert all(not row["pieces"] and row["coral_group"] for row in rows)
    with pytest.raises(SystemExit) as stop:
        main([*arguments, "--out", str(tmp_path / "t")])
    assert stop.value.code == 2
    assert main([*arguments, "--out", str(tmp_path / "u"), "--json", "-"]) == 0
    assert json.loads(capsys.readouterr().out)["trial"]["blocks"]
