"""The windows and values of a day, by vectorised pandas: what `size.rs` compares itself with.

Called with a plain table of the rows and a capture of the same rows. Reads words from stdin: `table` or `capture`
does the whole work from that input once and prints the processor time it took, in seconds; `tell` prints what was
found last, as JSON. From the capture the packets' hashes are checked, the checks at the ends of the lines are not.
The limits are those of the built-in profile `switch-module`, read from its file.
"""

import io
import json
import pathlib
import struct
import sys
import time
import tomllib
import zlib

import numpy as np
import pandas as pd

PROFILE = pathlib.Path(__file__).resolve().parents[2] / "profiles" / "switch-module.toml"
SET = tomllib.loads(PROFILE.read_text())
UNKNOWN, SOAK, ENGINE_ON, CRANK, KEY_ON, KEY_OFF = range(6)


def limit(table, key):
    return SET[table][key]["value"]


def lasting(states, ms, hold_s):
    """Runs of one state whose rows span `hold_s`: (first row, state), neighbours differing."""
    starts = np.flatnonzero(np.r_[True, states[1:] != states[:-1]])
    until = ms[np.r_[starts[1:], len(ms)] - 1]
    starts = starts[until - ms[starts] >= hold_s * 1000.0]
    kept = states[starts]
    return starts[np.r_[True, kept[1:] != kept[:-1]]], kept[np.r_[True, kept[1:] != kept[:-1]]]


def lines(path):
    """The lines of the adapter in a capture (pcapng, one file, interface 1), hashes checked."""
    blob = path.read_bytes()
    at, out, unpack, crc32 = 0, [], struct.Struct("<6I").unpack_from, zlib.crc32
    while at < len(blob):
        kind, length, interface, _, _, size = unpack(blob, at) if at + 24 <= len(blob) else (0, 12, 0, 0, 0, 0)
        if kind == 6 and interface == 1:
            data = blob[at + 28 : at + 28 + size]
            option = at + 28 + (size + 3 & ~3)
            if crc32(data) != int.from_bytes(blob[option + 5 : option + 9], "big"):
                raise SystemExit(f"{path} is damaged at byte {at}")
            out.append(data)
        at += length
    # The header was sent twice.
    return io.BytesIO(b"".join(out[1:]))


def work(source):
    df = pd.read_csv(source, usecols=lambda c: c != "crc")
    ms = np.rint(df["time_s"].to_numpy() * 1000.0).astype(np.int64)
    n = len(df)
    hold = limit("phases", "hold_s")

    # Engine: 2 runs, 1 turns, 0 rests; one that dies runs on until it rests.
    rpm = df["engine_rpm"]
    runs = (rpm >= limit("phases", "running_above_rpm")).to_numpy()
    rests = (rpm <= limit("phases", "stopped_below_rpm")).to_numpy()
    engine = pd.Series(np.where(runs, 2.0, np.where(rests, 0.0, np.nan))).ffill().fillna(0.0).to_numpy()
    engine = np.where(~runs & ~rests & (engine == 0.0), 1.0, engine).astype(np.int8)
    key = (df["key"] >= 0.5).to_numpy()
    sealed = (df["vent_solenoid"] < 0.5).to_numpy()
    phases = [engine == 2, engine == 1, key, ~key & sealed, ~key]
    kind = np.select(phases, [ENGINE_ON, CRANK, KEY_ON, SOAK, KEY_OFF], UNKNOWN)

    starts, kinds = lasting(kind, ms, hold)
    ends = np.r_[starts[1:], n]
    span = np.repeat(np.arange(-1, len(starts)), np.diff(np.r_[0, starts, n]))
    values = df.drop(columns="time_s").groupby(span).agg(["mean", "min", "max"])
    spans = []
    for i in np.flatnonzero((kinds == SOAK) | (kinds == ENGINE_ON)):
        row = values.loc[i].unstack()
        spans.append({
            "kind": "soak" if kinds[i] == SOAK else "engine_on",
            "start_ms": int(ms[starts[i]]),
            "end_ms": int(ms[ends[i]]) if ends[i] < n else -1,
            "rows": int(ends[i] - starts[i]),
            **{what: {c: float(v) for c, v in row[what].items()} for what in ("mean", "min", "max")},
        })
    turns = len(lasting((df["leak_switch"] >= 0.5).to_numpy(), ms, limit("sense", "bounce_s"))[0]) - 1
    return {"spans": spans, "turns": turns}


def main():
    table, capture = sys.argv[1], pathlib.Path(sys.argv[2]) / "raw.pcapng"
    found = None
    for word in sys.stdin:
        if word.strip() == "tell":
            print(json.dumps(found), flush=True)
            continue
        begun = time.process_time()
        found = work(table if word.strip() == "table" else lines(capture))
        print(time.process_time() - begun, flush=True)


main()
