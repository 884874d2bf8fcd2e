"""The bench adapter's firmware, run on a simulated chip, into the real program.

    check.py SOAKWATCH SCRATCH

Builds the firmware (profiles/bench-adapter/firmware) and the rig (rig.c), plays three scenarios in real time (one of them a
whole session on the tray, session.py), each into
`soakwatch watch --link bench:…`, and checks every byte that the chip sent, the edges and the verdicts against the
scenario. Needs gcc-avr, avr-libc, libsimavr-dev and a C compiler.
"""

import binascii
import csv
import json
import math
import os
import pathlib
import re
import shutil
import signal
import subprocess
import sys
import threading
import time
import tomllib

import session

HERE = pathlib.Path(__file__).resolve().parent
FIRMWARE = HERE.parent.parent / "profiles/bench-adapter/firmware"
CHANNELS = {  # of the contract, that this adapter has
    "key", "leak_switch", "switch_sense_v", "solenoid_a", "solenoid_peak_a", "ground_v", "battery_v",
    "tank_pressure_pa", "baro_kpa", "ambient_c", "tank_skin_c", "solenoid_duty_pct",
}
OWN = {"lost"}

failed = passed = 0


def check(what, holds, told=""):
    global failed, passed
    passed, failed = passed + bool(holds), failed + (not holds)
    print(f"{'ok    ' if holds else 'FAILED'} {what}{f' ({told})' if told != '' else ''}")


def near(what, value, want, within):
    check(what, value is not None and abs(value - want) <= within, f"{value} for {want} within {within}")


class Scenario:
    """What happens on the tray: lines for the rig, and what must be found."""

    def __init__(self, name):
        self.name, self.lines, self.edges, self.notes = name, [], [], []

    def at(self, when, what, value, takes=None):
        self.lines.append((when, f"{when:.6f} {what} {value}" + (f" {takes:.6f}" if takes else "")))

    def contact(self, when, closed, bounces=()):
        """The contact turns at `when`; bounces are pairs of when it leaves and takes the new state again."""
        times = [when] + [when + t for pair in bounces for t in pair]
        for i, t in enumerate(times):
            state = closed if i % 2 == 0 else 1 - closed
            self.at(t, "contact", state)
            self.edges.append((t, state))

    def text(self):
        return "".join(line + "\n" for _, line in sorted(self.lines, key=lambda l: l[0]))


def fit():
    """A sound module, from the positive control to the relief: all that clears it."""
    s = Scenario("fit")
    s.at(0, "baro_pa", 100930)
    s.at(0, "air_c", 21.3)
    s.at(0, "skin_c", 17.8)
    rig = session.whole_session()
    line = rig.polyline()
    for (begin, _), (end, pa) in zip(line, line[1:]):
        s.at(begin, "pressure_pa", f"{pa:.3f}", end - begin)
    for when, closed in rig.turns:
        # What a vent lets go is over before it bounces.
        vented = any(on and 0 <= when - t < 0.3 for t, on in rig.coil)
        s.contact(when, closed, () if vented else [(0.003, 0.005), (0.0065, 0.008)] if closed else [(0.002, 0.0045)])
    for when, on in rig.coil:
        s.at(when, "solenoid", on)
    s.notes = rig.notes
    s.end = math.ceil(rig.t) + 0.5
    s.profile, s.points = "module-on-the-tray", {}
    s.ground_ohm = 0.02
    s.verdicts = dict.fromkeys(["switch_point", "module_hold", "relief", "vent_solenoid", "switch_circuit"], "pass")
    s.part = "fit"
    # A plug on the rig, a hold on the module, and the air.
    s.held = [(at, rig.held(at)) for at in (14.0, 34.0)] + [(1.0, 0)]
    s.open_at, s.closed_at = (1, 3), (33, 35)
    s.solenoid_on = [when for when, _ in rig.coil]
    s.points_pa = {"closes": rig.closes, "reopens": rig.reopens}
    s.reliefs_pa = {"pressure": rig.reliefs[0].opens, "vacuum": rig.reliefs[1].opens}
    s.slow = {"baro_kpa": (100.93, 0.005), "ambient_c": (21.3, 0.2), "tank_skin_c": (17.8, 0.2),
              "battery_v": (12.6, 0.03)}
    s.key = None
    s.no_bias = None
    return s


def poor():
    """A bad shared ground, a pull-up of 12 V, no skin probe, the key lead on, and a line that loses its bias."""
    s = Scenario("poor")
    s.at(0, "ground_ohm", 0.4)
    s.at(0, "bias_v", 12)
    s.at(0, "bias_ohm", 2000)
    s.at(0, "skin_fitted", 0)
    s.at(0, "key_fitted", 1)
    s.at(0, "key", 1)
    s.at(0, "battery_v", 11.9)
    s.at(0, "air_c", -7.4)
    s.at(4, "pressure_pa", -420, 3)
    s.contact(4 + 3 * 250 / 420, 1, [(0.0015, 0.0031), (0.0052, 0.0061), (0.0083, 0.0102)])
    s.at(10, "solenoid", 1)
    s.at(10.05, "pressure_pa", 0, 0.5)
    s.contact(10.05 + 0.5 * 270 / 420, 0)
    s.at(15, "solenoid", 0)
    # Without bias, and with the barometer pulled out, until 27 s.
    s.at(18, "baro_answers", 0)
    s.at(18, "bias", 0)
    s.at(27.0071, "bias", 1)
    s.at(27, "baro_answers", 1)
    s.edges.append((27.0071, 0))
    # A contact with so much resistance that the line lies between the levels: told as a voltage, not as a state.
    s.at(29, "contact_ohm", 450)
    s.at(29, "contact", 1)
    s.at(32, "contact", 0)
    s.end = 34.0
    # As if a meter had read 0.2 V more at 10 V and 0.4 V more at 14 V.
    s.profile, s.points = "switch-module", {"battery_v": ([10, 14], [10.2, 14.4])}
    s.ground_ohm, s.verdicts = 0.4, {"switch_circuit": "fail", "vent_solenoid": "pass"}
    s.points_pa = {}
    s.held = [(8.0, -420), (13.0, 0)]
    s.solenoid_on = (10, 15)
    s.slow = {"ambient_c": (-7.4, 0.2), "tank_skin_c": None, "battery_v": (11.9, 0.03)}
    s.key = 1
    s.no_bias = (18, 27.0071)
    return s


def rough():
    """Edges faster than the serial line can tell them, and a chip that hangs."""
    s = Scenario("rough")
    s.storm = 750
    for i in range(s.storm):
        s.at(4.0003 + i * 0.002, "contact", 1 - i % 2)
    s.at(9, "hang", 1)
    s.end = 11.5
    s.profile, s.points = "switch-module", {}
    return s


def build(scratch):
    missing = [tool for tool in ("avr-gcc", "avr-objcopy", "make", "cc") if not shutil.which(tool)]
    missing += [] if pathlib.Path("/usr/include/simavr/sim_avr.h").exists() else ["libsimavr"]
    if missing:
        sys.exit(f"NOT RUN, and so not passed: the bench adapter's check needs {', '.join(missing)}. On Debian: "
                 "apt-get install gcc-avr avr-libc libsimavr-dev gcc make")
    subprocess.run(["make", "--silent", "-C", FIRMWARE, f"OUT={scratch}"], check=True)
    subprocess.run(["cc", "-O2", "-Wall", "-Wextra", "-Werror", "-o", scratch / "rig", HERE / "rig.c",
                    "-lsimavr", "-lm"], check=True)


class Run:
    def __init__(self, scenario, soakwatch, scratch):
        self.s = scenario
        self.dir = scratch / scenario.name
        self.dir.mkdir()
        scenario.at(scenario.end, "end", 0)
        (self.dir / "scenario.txt").write_text(scenario.text())
        self.rig = subprocess.Popen(
            [scratch / "rig", scratch / "adapter.elf", self.dir / "scenario.txt", self.dir / "sent"],
            stdin=subprocess.PIPE, stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True)
        port = next(line for line in iter(self.rig.stdout.readline, "") if "/dev/" in line)
        self.port = port[port.index("/dev/"):].strip()
        self.said = open(self.dir / "said", "w+")
        self.watch = subprocess.Popen(
            [soakwatch, "watch", "--plain", "--link", f"bench:{self.port}", "--profile", self.profile(),
             "--captures", self.dir / "captures", "--seconds", str(scenario.end * 2 + 40)]
            # Notes are read from a pipe in a guided run alone.
            + (["--guide", "tray"] if scenario.notes else []),
            stdout=self.said, stderr=subprocess.STDOUT,
            stdin=subprocess.PIPE if scenario.notes else subprocess.DEVNULL, text=True)

    def profile(self):
        """The profile, with the points of the scenario's calibration."""
        if not self.s.points:
            return self.s.profile
        text = f'extends = "{self.s.profile}"\n'
        for channel, (adapter, instrument) in self.s.points.items():
            text += (f'[[calibrate]]\nchannel = "{channel}"\nadapter = {adapter}\ninstrument = {instrument}\n'
                     'source = "points of the check"\n')
        (self.dir / "adapter-1.toml").write_text(text)
        return self.dir / "adapter-1.toml"

    def go(self):
        deadline = time.monotonic() + 20
        while not list(self.dir.glob("captures/*/raw.pcapng")):
            if time.monotonic() > deadline or self.watch.poll() is not None:
                self.rig.kill()
                raise SystemExit(f"the program did not begin: {(self.dir / 'said').read_text()}")
            time.sleep(0.02)
        self.rig.stdin.write("\n")
        self.rig.stdin.flush()
        begun = time.monotonic()
        for when, note in self.s.notes:
            time.sleep(max(0, begun + when - time.monotonic()))
            self.watch.stdin.write(f"rig: {note}\n")
            self.watch.stdin.flush()
        # The program heard the header twice at the start and need not ask; the chip must answer all the same.
        time.sleep(max(0, begun + 6 - time.monotonic()))
        with open(self.port, "wb", buffering=0) as port:
            port.write(b"?\n")

    def end(self, soakwatch):
        try:
            self.rig.wait(self.s.end * 2 + 20)
            time.sleep(1)
            self.watch.send_signal(signal.SIGINT)
            self.watch.wait(20)
        finally:
            for child in (self.rig, self.watch):
                if child.poll() is None:
                    child.kill()
        told = self.rig.stderr.read().strip()
        check(f"{self.s.name}: the rig ended in order", self.rig.returncode == 0, told)
        self.late_s = int(re.search(r"at most (\d+) ms late", told).group(1)) / 1e3
        self.capture = next(self.dir.glob("captures/*"))
        subprocess.run([soakwatch, "export", self.capture, "--to", "csv", "-o", self.dir / "export"],
                       check=True, stdout=subprocess.DEVNULL)


def read_rows(run):
    """Every line that the chip sent: all of them, and the rows as dictionaries."""
    name, data = run.s.name, (run.dir / "sent").read_bytes()
    check(f"{name}: plain text", all(b in b"\r\n" or 32 <= b < 127 for b in data))
    lines = data.split(b"\r\n")[:-1]  # the last one may have been cut by the end
    header = lines[0]
    columns = header.decode().split(",")
    check(f"{name}: headed by time_s, the contract's channels and its own count of losses, ended by crc",
          columns[0] == "time_s" and columns[-1] == "crc" and set(columns[1:-1]) == CHANNELS | OWN)
    check(f"{name}: the header comes twice at the start", lines[1] == header)
    rows, wrong = [], 0
    for line in lines:
        if line == header:
            continue
        body, _, cell = line.rpartition(b",")
        # The library's CRC of the polynomial 1021, begun with FFFF: CRC-16/CCITT-FALSE.
        wrong += cell != b"%04X" % binascii.crc_hqx(body, 0xFFFF)
        cells = body.decode().split(",")
        wrong += len(cells) != len(columns) - 1
        rows.append({c: float(v) for c, v in zip(columns, cells) if v != ""})
    check(f"{name}: every row has its check", rows and not wrong, f"{len(rows)} rows, {wrong} wrong")
    return lines, rows


def check_rows(run, lines, rows):
    """A run in which all goes well."""
    name = run.s.name
    last = len(lines) - 1 - lines[::-1].index(lines[0])
    at = float(lines[last + 1].split(b",")[0]) if last + 1 < len(lines) else 0
    check(f"{name}: the header again when it is asked for", 1 < at < run.s.end, f"at {at} s")
    times = [round(r["time_s"] * 1e6) for r in rows]
    check(f"{name}: times never go back", all(a <= b for a, b in zip(times, times[1:])))
    grid = sorted({t for t, r in zip(times, rows) if t % 20000 == 0})
    check(f"{name}: a row each 20 ms, none missing, to the end",
          grid[0] <= 20000 and all(b - a == 20000 for a, b in zip(grid, grid[1:])) and grid[-1] >= (run.s.end - 0.1) * 1e6,
          f"{len(grid)} to {grid[-1] / 1e6} s")

    # What a row says: what it fills, and what stands from before.
    full, last, repeats, told = 0, {}, 0, []
    for t, r in zip(times, rows):
        if "leak_switch" in r and (t % 20000 or r["leak_switch"] != last.get("leak_switch")):
            told.append((t / 1e6, int(r["leak_switch"])))
        if "lost" in r and "battery_v" in r:
            full += 1
        else:
            repeats += sum(last.get(c) == v for c, v in r.items() if c not in ("time_s", "leak_switch", "switch_sense_v"))
        last.update(r)
    check(f"{name}: a full row each second", full == math.floor(run.s.end - 0.02) + 1, full)
    check(f"{name}: other rows fill only what changed", repeats == 0, repeats)
    check(f"{name}: nothing was lost", all(r.get("lost", 0) == 0 for r in rows))

    told = told[1:]  # the first is the start
    dead = run.s.no_bias or (math.inf, math.inf)
    known = [r for t, r in zip(times, rows) if t % 20000 == 0 and not dead[0] < t / 1e6 < dead[1] + 0.001]
    check(f"{name}: the switch in every row while its line has bias", all("leak_switch" in r for r in known), len(known))
    check(f"{name}: as many edges as the contact made", [s for _, s in told] == [s for _, s in run.s.edges],
          f"{len(told)} of {len(run.s.edges)}")
    off = max((abs(a - b) for (a, _), (b, _) in zip(told, run.s.edges)), default=9)
    check(f"{name}: each edge within 1 ms of the contact", off <= 0.001, f"at most {off * 1e3:.2f} ms")


def check_rough(run, lines, rows):
    """Nothing is lost unsaid, and a chip that hangs begins anew."""
    name, times = run.s.name, [round(r["time_s"] * 1e6) for r in rows]
    falls = [i for i, (a, b) in enumerate(zip(times, times[1:]), 1) if b < a]
    check(f"{name}: the watchdog starts it anew, once", len(falls) == 1 and times[falls[0]] < 100_000, falls)
    check(f"{name}: it ran to the hang", 8_950_000 <= times[falls[0] - 1] <= 9_010_000, times[falls[0] - 1] / 1e6)
    again = (run.s.end - 9) - times[-1] / 1e6
    check(f"{name}: the watchdog waits a quarter of a second or so", 0.1 <= again <= 0.4, f"{again:.3f} s")
    # The two of each start, the one that the check asks for, and those that the program asks for after a restart.
    check(f"{name}: the header comes with each start", lines.count(lines[0]) >= 5, lines.count(lines[0]))

    told = [(i, r) for i, r in enumerate(rows[:falls[0]]) if "lost" in r and "battery_v" in r]
    i, last = told[-1]
    due = 1 + run.s.storm + round(last["time_s"] * 50)
    check(f"{name}: told and lost make up the start, the edges and a row each 20 ms", i + 1 + last["lost"] == due,
          f"{i + 1} told, {last['lost']:.0f} lost, {due} due")
    check(f"{name}: the line was too slow for it", last["lost"] > 50)
    grid = [t for t in times[:falls[0]] if t >= 6_000_000]
    check(f"{name}: all is told again once it is calm", all(b - a == 20000 for a, b in zip(grid, grid[1:])), len(grid))
    notices = json.loads((run.capture / "findings.json").read_text())["notices"]
    for words in ("could not send", "the adapter restarted"):
        check(f"{name}: the program says \"{words}\"", any(words in n for n in notices), notices)


def check_values(run, rows):
    s, name = run.s, run.s.name

    def between(column, start, end):
        return [r[column] for r in rows if start <= r["time_s"] <= end and column in r]

    def mean(column, start, end):
        v = between(column, start, end)
        return round(sum(v) / len(v), 4) if v else None

    for at, pa in s.held:
        near(f"{name}: pressure held at {at} s", mean("tank_pressure_pa", at - 0.5, at + 0.5), pa, 1.5)
    on, off = s.solenoid_on
    near(f"{name}: pull-in, peak", max(between("solenoid_peak_a", on, on + 0.1)), 1.5, 0.02)
    near(f"{name}: pull-in, mean of its end", max(between("solenoid_a", on, on + 0.08)), 1.5, 0.02)
    # Rows in which a cell did not change leave it out, so the mean is taken with what stood before.
    held = {c: [] for c in ("solenoid_a", "solenoid_duty_pct")}
    last = {}
    for r in rows:
        last.update(r)
        if on + 1 <= r["time_s"] < off:
            for c in held:
                held[c].append(last[c])
    near(f"{name}: chopped hold, mean", round(sum(held["solenoid_a"]) / len(held["solenoid_a"]), 4), 0.15, 0.005)
    near(f"{name}: chopped hold, duty", round(sum(held["solenoid_duty_pct"]) / len(held["solenoid_duty_pct"]), 2), 20, 1)
    near(f"{name}: chopped hold, peak", max(between("solenoid_peak_a", on + 1, off)), 0.75, 0.02)
    near(f"{name}: no current, no reading", mean("solenoid_a", off + 0.5, off + 2), 0, 0.003)
    near(f"{name}: lift of the module's ground", max(between("ground_v", on, on + 0.1)), 1.5 * s.ground_ohm, 0.01)
    for column, want in s.slow.items():
        if want is None:
            check(f"{name}: {column} is blank without its probe", not between(column, 0, s.end))
        else:
            near(f"{name}: {column}", mean(column, 5, s.end), *want)
    keys = [r["key"] for r in rows if "key" in r]
    want = set() if s.key is None else {s.key}
    check(f"{name}: key", set(keys) == want and len(keys) == (s.key is not None) * len(between("lost", 0, s.end)), keys)
    if s.no_bias:
        start, end = s.no_bias
        dead = [r for r in rows if start + 0.1 <= r["time_s"] < end]
        check(f"{name}: without bias no state is told", dead and not any("leak_switch" in r for r in dead), len(dead))
        near(f"{name}: without bias the line lies at nothing", mean("switch_sense_v", start + 0.1, end - 0.02), 0, 0.02)
        near(f"{name}: its bias returned, the line is up", mean("switch_sense_v", end + 0.1, 28.9), 12, 0.05)
        near(f"{name}: a contact of 450 ohm", mean("switch_sense_v", 29.1, 31.9), 12 * 450 / 2450, 0.02)
        check(f"{name}: a barometer that does not answer is blank", not between("baro_kpa", start + 2.1, end))
        near(f"{name}: and comes back", mean("baro_kpa", end + 3.1, s.end), 101.325, 0.005)
    else:
        near(f"{name}: open line", mean("switch_sense_v", *s.open_at), 5, 0.02)
        near(f"{name}: closed line", mean("switch_sense_v", *s.closed_at), 0.0, 0.02)


def check_program(run, rows):
    s, name = run.s, run.s.name
    findings = json.loads((run.capture / "findings.json").read_text())
    check(f"{name}: the program understood every line", findings["undecoded"] == 0, findings["undecoded"])
    check(f"{name}: no gap", findings["gaps"] == [] or findings["gaps"][0]["start_s"] >= s.end, findings["gaps"])
    samples = list(csv.DictReader(open(run.dir / "export/samples.csv")))
    # A row whose only cells are no channels, or that came before the header was believed, makes no reading.
    want = sum(bool(set(r) & CHANNELS) for r in rows)
    check(f"{name}: every row became a reading", 0 <= want - len(samples) <= 5, f"{len(samples)} of {want}")
    for channel, (adapter, instrument) in s.points.items():
        session = tomllib.loads((run.capture / "session.toml").read_text())["profile"]["calibrate"]
        check(f"{name}: the session keeps the points of {channel}",
              any((c["channel"], c["adapter"], c["instrument"]) == (channel, adapter, instrument) for c in session))
        slope = (instrument[1] - instrument[0]) / (adapter[1] - adapter[0])
        want = [instrument[0] + (r[channel] - adapter[0]) * slope for r in rows if channel in r]
        got = [float(r[channel]) for r in samples if r[channel]]
        off = max((abs(a - b) for a, b in zip(got[::-1], want[::-1])), default=9)
        check(f"{name}: {channel} by its points", off < 1e-9, f"off by {off:.1e} at most, {len(got)} readings")
    summary = findings["summary"]
    for test, verdict in s.verdicts.items():
        check(f"{name}: {test} {verdict}", summary[test] == verdict, summary[test])
        if summary[test] != verdict:
            print(json.dumps([t for t in findings["tests"] if t["test"] == test], indent=1))

    for what, pa in s.points_pa.items():
        evidence = next(t["evidence"] for t in findings["tests"] if t["test"] == "switch_point")
        near(f"{name}: the switch {what}, within the program's own interval", evidence.get(f"{what}_pa"), pa,
             evidence.get(f"{what}_half_pa", 0))

    if hasattr(s, "part"):
        check(f"{name}: the part's verdict", findings["part"]["verdict"] == s.part, findings["part"])
        told = {t["test"]: t["evidence"] for t in findings["tests"]}
        near(f"{name}: the control reads the known hole", told["module_hold"].get("control_reads_mm"), 0.5, 0.05)
        check(f"{name}: and the plug as tight", told["module_hold"].get("control_sealed_up_to_mm", 1) < 0.05,
              told["module_hold"].get("control_sealed_up_to_mm"))
        for side, pa in s.reliefs_pa.items():
            near(f"{name}: the {side} relief opens, within the program's own error",
                 told["relief"].get(f"{side}_opens_pa"), pa, told["relief"].get(f"{side}_error_pa", 0))

    # The timeline's edges, against the last bounce of each turn; capture time and the adapter's differ by a constant.
    turns, lasting = [], 0.3
    for (t, state), following in zip(s.edges, s.edges[1:] + [(math.inf, None)]):
        if following[0] - t > lasting:
            turns.append((t, state))
    # The line without bias was open before and after.
    turns = [(t, st) for t, st in turns if not (s.no_bias and t == s.no_bias[1])]
    seen = [(float(e["time_s"]), int(e["to"] == "closed")) for e in csv.DictReader(open(run.dir / "export/edges.csv"))
            if e["what"] == "leak_switch" and {e["from"], e["to"]} == {"open", "closed"}]
    check(f"{name}: the timeline's edges", [st for _, st in seen] == [st for _, st in turns], f"{seen} for {turns}")
    if seen and len(seen) == len(turns):
        offs = [a - b for (a, _), (b, _) in zip(seen, turns)]
        # A chip that is simulated late is heard late; a real one is not.
        check(f"{name}: their spacing within 2 ms and what the rig was late by",
              max(offs) - min(offs) <= 0.002 + run.late_s, f"{(max(offs) - min(offs)) * 1e3:.2f} ms")


def main():
    soakwatch, scratch = pathlib.Path(sys.argv[1]).resolve(), pathlib.Path(sys.argv[2]).resolve()
    scratch.mkdir(parents=True, exist_ok=True)
    build(scratch)
    runs = [Run(s, soakwatch, scratch) for s in (fit(), poor(), rough())]
    starts = [threading.Thread(target=run.go) for run in runs]
    for start in starts:
        start.start()
    for start in starts:
        start.join()
    for run in runs:
        run.end(soakwatch)
    for run in runs:
        lines, rows = read_rows(run)
        if run.s.name == "rough":
            check_rough(run, lines, rows)
        else:
            check_rows(run, lines, rows)
            check_values(run, rows)
            check_program(run, rows)
    print(f"{passed} passed, {failed} failed")
    return 1 if failed else 0


if __name__ == "__main__":
    os.environ["NO_COLOR"] = "1"
    sys.exit(main())
