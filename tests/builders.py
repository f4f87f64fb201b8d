"""A tiny valid dip log for tests, as text tables, and a writer to the three kinds of file a farm may hand over.

The figures are invented. The log loads without an error or a warning as of `AS_OF`; tests break one thing in a copy.
"""

from __future__ import annotations

import datetime
from io import StringIO
from pathlib import Path

import openpyxl
import pandas as pd

AS_OF = datetime.date(2026, 11, 20)

AGENTS = """
agent,active,is_control,active_strength,strength_unit,drops_per_ml,separates,rinses_needed,clarity,signal_word,basis,max_per_l,max_per_l_unit,max_minutes,not_for,price,price_unit
IOD,povidone-iodine,no,10,% w/v,20,no,1,hazy,warning,label,5,mL/L,15,anemone,0.04,mL
OIL,plant oils,no,,,20,yes,2,opaque,warning,label,4,mL/L,10,,0.09,mL
POW,levamisole,no,50,% w/w,,no,1,clear,danger,vet order,100,mg/L,60,shrimp,0.30,g
SHAM,none,yes,,,,,,,none,none,,,,,,
"""
SESSIONS = """
session,started,agent,amount,amount_unit,bath_volume,bath_volume_unit,minutes,temperature,temperature_unit,mix,mixed,lot,agitation,rinses,ppe,crew,randomised,note
001,2026-09-07T09:30,IOD,30,mL,10,L,10,25.5,C,,,L-77,manual,1,yes,2,yes,
002,2026-09-07T10:15,SHAM,,,10,L,10,25.5,C,,,,manual,1,yes,2,yes,
003,2026-09-21T09:00,OIL,2.5,mL/L,5,US gal,8,78,F,M1,2026-09-21T08:40,B2,pump,2,yes,2,no,
004,2026-10-05T09:00,IOD,60,drops,1,L,10,25,C,,,L-77,none,2,partial,1,,second dip
005,2026-10-06T14:00,POW,0.8,g,10,L,45,25,C,,,,air,1,yes,1,,
006,2026-10-06T15:00,SHAM,,,10,L,10,,,,,,none,1,no,1,,
"""
TRAYS = """
tray,session,coral,coral_group,pieces,origin,source,arrived,cut,condition,earlier_tray,system
T01,001,Acropora millepora,sps,20,arrival,lot A,2026-09-05,,good,,Q1
T02,001,Zoanthus sp.,zoanthid,15,own cut,M7,,2026-09-01,good,,Q1
T03,002,Acropora millepora,sps,20,arrival,lot A,2026-09-05,,good,,Q1
T04,003,Euphyllia glabrescens,lps,8,arrival,lot B,2026-09-19,,fair,,Q2
T05,004,Acropora millepora,sps,18,re-dip,lot A,2026-09-05,,good,T01,Q1
T06,005,Montipora digitata,sps,12,own cut,M2,,2026-10-01,good,,Q1
T07,006,Montipora digitata,sps,12,own cut,M2,,2026-10-01,good,,Q1
"""
CHECKS = """
tray,checked,alive,dead,detached,removed,receding,checker
T01,2026-09-09,19,1,0,0,0,A
T01,2026-09-14,18,0,1,0,1,A
T01,2026-09-28,18,0,0,0,0,A
T01,2026-10-05,0,0,0,18,,A
T02,2026-09-14,15,0,0,0,0,A
T02,2026-09-28,13,0,0,2,,B
T02,2026-10-07,13,0,0,0,,B
T03,2026-09-09,20,0,0,0,0,A
T03,2026-09-21,19,1,0,0,,A
T03,2026-10-05,19,0,0,0,,A
T04,2026-09-24,8,0,0,0,2,B
T04,2026-10-05,7,1,0,0,,B
T04,2026-10-19,7,0,0,0,,B
T05,2026-10-08,18,0,0,0,,A
T05,2026-10-20,17,0,1,0,,A
T05,2026-11-02,17,0,0,0,,A
T06,2026-10-10,12,0,0,0,,A
T06,2026-10-24,10,2,0,0,,A
T06,2026-11-06,10,0,0,0,,A
T07,2026-10-10,12,0,0,0,,A
T07,2026-10-24,12,0,0,0,,A
T07,2026-11-06,12,0,0,0,,A
"""
PESTS = """
tray,pest,stage,moment,counted,examined,alive,dead,infested
T01,flatworm,adult,before,2026-09-06,20,12,0,6
T01,flatworm,adult,bath,2026-09-07,20,2,7,
T01,flatworm,adult,rinse,2026-09-07,20,0,1,
T01,flatworm,adult,on piece,2026-09-07,20,1,0,1
T01,flatworm,egg,on piece,2026-09-07,20,30,0,3
T01,flatworm,adult,later,2026-09-14,19,2,0,2
T03,flatworm,adult,before,2026-09-06,20,10,0,5
T03,flatworm,adult,bath,2026-09-07,20,1,0,
T03,flatworm,adult,on piece,2026-09-07,20,9,0,5
T02,nudibranch,any,bath,2026-09-07,15,0,0,0
T06,nudibranch,adult,bath,2026-10-06,12,0,4,
T06,nudibranch,adult,on piece,2026-10-06,12,0,0,0
"""
LABOUR = """
done,task,people,minutes,session,pieces,person
2026-09-07,mix,1,10,001,,A
2026-09-07,dip,2,25,001,35,
2026-09-07,rinse,2,12.5,001,35,
2026-10-05,dip,1,20,004,18,A
2026-10-06,inspect,1,40,,24,B
"""
FARM = """
[farm]
name = "Invented farm"
currency = "EUR"
wage_per_hour = 18.5
water_temperature_c = 25.5

[value]
sps = 20.0
lps = 35

[pests.flatworm]
hatch_days_latest = 15
first_laying_days_earliest = 27
at_temperature_c = 27
source = "invented for tests"
"""

KEYS = ["agents", "sessions", "trays", "checks", "pests", "labour"]
DATES = ["started", "mixed", "arrived", "cut", "checked", "counted", "done"]
NUMBERS = [
    "active_strength", "drops_per_ml", "rinses_needed", "max_per_l", "max_minutes", "price", "amount", "bath_volume",
    "minutes", "temperature", "rinses", "pieces", "alive", "dead", "detached", "removed", "receding", "examined",
    "infested", "people",
]  # fmt: skip


def small_log() -> dict[str, pd.DataFrame | str]:
    """Return a fresh copy: six frames of text (an empty cell is '') and the text of farm.toml under 'farm'."""
    texts = dict(zip(KEYS, (AGENTS, SESSIONS, TRAYS, CHECKS, PESTS, LABOUR), strict=True))
    frames = {name: pd.read_csv(StringIO(text), dtype=str, keep_default_na=False) for name, text in texts.items()}
    return {**frames, "farm": FARM}


def typed(frame: pd.DataFrame) -> pd.DataFrame:
    """Return the frame as a spreadsheet or database would hold it: real numbers and dates, text elsewhere."""
    out = frame.copy()
    for name in out.columns:
        if name in DATES:
            out[name] = pd.to_datetime(out[name].replace("", None), format="ISO8601")
        elif name in NUMBERS:
            out[name] = pd.to_numeric(out[name].replace("", None))
        else:
            out[name] = out[name].replace("", None)
    return out


def write_log(tables: dict[str, pd.DataFrame | str], folder: Path, *, kind: str = "csv") -> Path:
    """Write the tables into `folder` as csv, parquet or one xlsx; return the path to hand to read_log."""
    folder = Path(folder)
    folder.mkdir(parents=True, exist_ok=True)
    if "farm" in tables:
        (folder / "farm.toml").write_text(str(tables["farm"]), encoding="utf-8")
    frames = {name: frame for name, frame in tables.items() if name != "farm"}
    if kind == "xlsx":
        return write_workbook({name: typed(frame) for name, frame in frames.items()}, folder / "log.xlsx")
    for name, frame in frames.items():
        if kind == "csv":
            frame.to_csv(folder / f"{name}.csv", index=False)
        elif kind == "parquet":
            typed(frame).to_parquet(folder / f"{name}.parquet", index=False)
        else:
            raise ValueError(f"kind must be csv, xlsx or parquet, got {kind!r}")
    return folder


def write_workbook(frames: dict[str, pd.DataFrame], path: Path, *, formulas: bool = True) -> Path:
    """Write one sheet per frame; missing cells stay empty, dates are real dates.

    `formulas`: whether text that begins with = becomes a formula, as where it is typed into a spreadsheet.
    """
    book = openpyxl.Workbook()
    book.remove(book.active)
    for name, frame in frames.items():
        sheet = book.create_sheet(name)
        sheet.append(list(frame.columns))
        for row in frame.astype(object).itertuples(index=False):
            cells = [None if pd.isna(cell) else cell for cell in row]
            sheet.append([cell.to_pydatetime() if isinstance(cell, pd.Timestamp) else cell for cell in cells])
            for cell in sheet[sheet.max_row] if not formulas else ():
                cell.data_type = "s" if cell.data_type == "f" else cell.data_type
    book.save(path)
    return path
