#!/usr/bin/env python3
"""tshark puts the messages together that soakwatch's own transport took apart and put together.

    read_by_tshark.py FOLDER

FOLDER holds captures, each with the messages of its conversation (tests/transports/told.rs). tshark's dissectors of ISO
15765 and of unified diagnostic services must find the same requests and answers in the same order, and must name the
services that it knows (19 and 22) as they are meant.
"""

import json
import pathlib
import subprocess
import sys

passed = failed = 0


def check(good, what):
    global passed, failed
    passed, failed = passed + good, failed + (not good)
    print(f"{'ok  ' if good else 'FAIL'} {what}")


def read(raw, subdissector, fields):
    command = ["tshark", "-r", raw, "-d", "can.subdissector,iso15765", "-d", f"iso15765.subdissector,{subdissector}"]
    command += ["-T", "fields", "-E", "occurrence=l", *(x for f in fields for x in ("-e", f))]
    out = subprocess.run(command, capture_output=True, text=True, check=True).stdout
    return [line.split("\t") for line in out.splitlines()]


def diagnostic(frame_id, extended):
    number = int(frame_id, 0) & 0x1FFFFFFF
    if extended in ("1", "True"):
        return number == 0x18DB33F1 or number & 0xFFFF0000 == 0x18DA0000
    return number == 0x7DF or 0x7E0 <= number <= 0x7EF


for raw in sorted(pathlib.Path(sys.argv[1]).glob("*/raw.pcapng")):
    name = raw.parent.name
    ours = json.loads((raw.parent / "messages.json").read_text())
    rows = read(raw, "data", ["can.id", "can.flags.xtd", "iso15765.message_type", "iso15765.reassembled.length", "data.data"])
    # Whole messages come with a single frame or with the last of several; the rest of a frame is padding.
    theirs = [
        (data.replace(":", ""), int(kind, 0))
        for number, extended, kind, whole, data in rows
        if diagnostic(number, extended) and data and kind and (int(kind, 0) == 0 or int(kind, 0) == 2 and whole)
    ]
    check(len(theirs) == len(ours), f"{name}: tshark finds {len(theirs)} messages, ours are {len(ours)}")
    alike = sum(1 for (data, _), m in zip(theirs, ours) if data[: len(m["bytes"])] == m["bytes"])
    check(alike == len(ours) and alike > 20, f"{name}: {alike} of them byte for byte")
    parts = sum(1 for _, kind in theirs if kind == 2)
    check(parts >= 8, f"{name}: {parts} of several frames")

    named = read(raw, "uds", ["can.id", "can.flags.xtd", "uds.sid", "uds.reply", "uds.rdbi.data_identifier", "uds.err.sid"])
    told = [
        # Of a refusal it names the service that is refused apart.
        (int(refused or sid, 0), reply in ("0x01", "1", "True"), did.split(",")[0].lower())
        for number, extended, sid, reply, did, refused in named
        if diagnostic(number, extended) and sid
    ]
    expected = []
    for m in ours:
        first = int(m["bytes"][:2], 16)
        # A refusal names the service behind it.
        sid = int(m["bytes"][2:4], 16) if first == 0x7F else first & ~0x40
        expected.append((sid, not m["sent"], "0x" + m["bytes"][2:6] if first in (0x22, 0x62) else ""))
    mine = [e for e in expected if e[0] in (0x19, 0x22)]
    both = [t for t in told if t[0] in (0x19, 0x22)]
    check(len(both) > 0 and both == mine, f"{name}: {len(both)} requests and answers of services 19 and 22 by name")

print(f"{passed} passed, {failed} failed")
sys.exit(failed > 0 or passed == 0)
