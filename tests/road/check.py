#!/usr/bin/env python3
"""Holds what soakwatch finds in logs from the road against what Python's csv reads in the same files.

    soakwatch regrade FOLDER --profile road-log --json > FINDINGS
    check.py FOLDER FINDINGS

The logs have no column of times: the profile assumes 0.49 s a row. Each value is held for three or four rows, so it
was really sampled every 1.5 to 2 s, and no moment is known better than that.
"""

import csv
import json
import pathlib
import sys

PERIOD_S = 0.49
SAMPLING_S = 2.0
# The engine is cranked below this: common practice; starters turn an engine at 150 to 300 rpm.
RUNS_RPM = 400
# Coolant of a cold start is at most 5.6 K (10 °F) above the air. The logs' first rows, read by eye.
COOLANT_AT_START = {"drive1": 81, "ufpe1": 88, "idle1": 28}
ENGINE_ON = ("running", "purge_run", "decay")

checks = {"passed": 0, "failed": 0}


def check(name, good, what):
    checks["passed" if good else "failed"] += 1
    print(f"{'ok  ' if good else 'FAIL'} {name}: {what}")


def near(name, what, found, own, within):
    check(name, abs(found - own) <= within, f"{what} {found:.2f} s, by the file's own column {own:.2f} s (± {within} s)")


class Log:
    """A log as Python reads it."""

    def __init__(self, path):
        with open(path, newline="", encoding="utf-8") as file:
            self.head, *self.rows = list(csv.reader(file))
        # 27 headings stand over 28 fields: each row ends with a comma.
        self.cut = [2 + i for i, row in enumerate(self.rows) if len(row) <= len(self.head)]

    def column(self, heading):
        at = self.head.index(heading)
        cells = [row[at] if at < len(row) else "" for row in self.rows]
        return [float(cell) if cell.strip() else None for cell in cells]


def test(findings, name):
    entries = [t for t in findings["tests"] if t["test"] == name]
    return entries, "; ".join(reason for t in entries for reason in t["reasons"])


def compare(log, findings, name):
    rpm = log.column("ENGINE_RPM ()")
    on = [i for i, v in enumerate(rpm) if v is not None and v >= RUNS_RPM]
    phases = [p for p in findings["phases"] if p["phase"] in ENGINE_ON]
    check(name, bool(phases), f"{len(phases)} stretches with the engine on")
    if phases:
        near(name, "engine starts at", phases[0]["start_s"], on[0] * PERIOD_S, SAMPLING_S)
        # Its start and its end are each known to a sampling interval.
        took = sum(p["end_s"] - p["start_s"] for p in phases)
        near(name, "engine on for", took, len(on) * PERIOD_S, 2 * SAMPLING_S)
        # The controller's own seconds since the start: whole ones, against an assumed period of rows.
        own = log.column("ENGINE_RUN_TINE ()")[-1]
        near(name, "engine on, by the controller's counter, for", took, own, round(0.01 * own, 1))
    near(name, "lasts", findings["duration_s"], (len(rpm) - 1) * PERIOD_S, PERIOD_S)

    # The profile takes a purge as begun from 2 % of duty.
    purge = [v for v in log.column("COMMANDED_EVAPORATIVE_PURGE ()") if v is not None and v >= 2]
    entries, reasons = test(findings, "purge_response")
    check(name, findings["summary"]["purge_response"] == "inconclusive", "purge response is inconclusive")
    check(name, "vent" in reasons, f"purge response names the vent: {reasons}")
    purged = sum(t["evidence"].get("purge_s", 0) for t in entries)
    near(name, "purges for", purged, len(purge) * PERIOD_S, SAMPLING_S)

    coolant = log.column("COOLANT_TEMPERATURE ()")[on[0]]
    air = log.column("INTAKE_AIR_TEMP ()")[on[0]]
    check(name, coolant == COOLANT_AT_START[name], f"starts with coolant at {coolant:.0f} °C")
    entries, reasons = test(findings, "vacuum_decay")
    check(name, findings["summary"]["vacuum_decay"] == "not_run", "vacuum decay is not run")
    check(name, all(t["start_s"] is None for t in entries), "vacuum decay has no time")
    check(name, "switch" in reasons and "vent" in reasons, f"vacuum decay names switch and vent: {reasons}")
    hot = coolant > air + 5.6
    named = "coolant" in reasons and f"{coolant:.1f} °C" in reasons
    check(name, hot == named, f"vacuum decay {'names' if hot else 'does not name'} the hot start")
    for other in ("key_off_soak", "start_vent", "switch_circuit", "vent_solenoid", "relief"):
        check(name, findings["summary"][other] == "not_run", f"{other} is not run")

    check(name, findings["undecoded"] == len(log.cut), f"{findings['undecoded']} rows cut short, in the file {log.cut}")
    told = [n for n in findings["notices"] if "cut short" in n and " line " in n]
    check(name, all(any(f" line {n}:" in t for t in told) for n in log.cut), "each cut row is named by its line")
    check(name, len(told) == len(log.cut), "no other row is called cut")


def main(folder, found):
    lines = [json.loads(line) for line in pathlib.Path(found).read_text(encoding="utf-8").splitlines()]
    findings = {f["capture"]: f for f in lines}
    logs = sorted(pathlib.Path(folder).glob("*.csv"))
    check("all", sorted(findings) == [p.name for p in logs], f"a line for each of {len(logs)} files")
    check("all", sorted(COOLANT_AT_START) == [p.stem for p in logs], "the files are those this check knows")
    for path in logs:
        log = Log(path)
        check(path.stem, len(log.head) == 27 and {len(r) for r in log.rows[:-1]} == {28}, "27 headings over 28 fields")
        # The one cut row is the last of idle1.
        check(path.stem, log.cut == ([1 + len(log.rows)] if path.stem == "idle1" else []), f"cut rows: {log.cut}")
        compare(log, findings[path.name], path.stem)
    print(f"{checks['passed']} passed, {checks['failed']} failed")
    return 1 if checks["failed"] else 0


if __name__ == "__main__":
    sys.exit(main(*sys.argv[1:]))
