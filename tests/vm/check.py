#!/usr/bin/env python3
"""Holds what soakwatch recorded in the small machine (tests/vm/run) against what was sent there, and reads it with
tshark too.

    check.py PROGRAM FOLDER
"""

import json
import pathlib
import re
import struct
import subprocess
import sys

program, folder = sys.argv[1], pathlib.Path(sys.argv[2])
guest = (folder / "guest.txt").read_text()
checks = {"passed": 0, "failed": 0}


def check(good, what):
    checks["passed" if good else "failed"] += 1
    print(f"{'ok  ' if good else 'FAIL'} {what}")


class Capture:
    """Events and frames, read block by block as the pcapng draft lays them out (enhanced packet block: type 6)."""

    def __init__(self, name):
        raw = (folder / name / "raw.pcapng").read_bytes()
        self.name, self.events, self.frames, at = name, [], [], 0
        while at < len(raw):
            kind, length = struct.unpack_from("<II", raw, at)
            if kind == 6:
                link, high, low, size = struct.unpack_from("<IIII", raw, at + 8)
                data = raw[at + 28 : at + 28 + size]
                if link == 0:
                    self.events.append(json.loads(data))
                else:
                    self.frames.append(((high << 32 | low) / 1e9, data))
            at += length
        times = [t for t, _ in self.frames]
        check(times == sorted(times), f"{name}: {len(self.frames)} frames in order of their times")
        self.span = times[-1] - times[0] if times else 0
        both = subprocess.run(
            ["tshark", "-r", folder / name / "raw.pcapng", "-Y", "can || canfd", "-T", "fields", "-e", "frame.len"],
            capture_output=True, text=True, check=True,
        ).stdout.split()
        check(len(both) == len(self.frames), f"{name}: tshark reads {len(both)} frames")
        again = subprocess.run([program, "regrade", "--json", folder / name], capture_output=True, check=False).stdout
        # The capture lay in a folder of another name in the small machine.
        live, again = json.loads((folder / name / "findings.json").read_bytes()), json.loads(again)
        live.pop("capture"), again.pop("capture")
        check(live == again and again["undecoded"] == 0, f"{name}: graded again outside, the same findings")

    def kinds(self, kind):
        return [e for e in self.events if e["kind"] == kind]

    def numbers(self):
        """What was sent by number; each frame must be whole."""
        found = []
        for _, data in self.frames:
            word, size = struct.unpack_from(">IB", data)
            n = struct.unpack_from(">I", data, 8)[0]
            whole = word == (0x98FEF100 if n & 1 else 0x100) and size == 8 and data[12:] == b"\xa5" * 4
            found.append(n if whole else None)
        return found


def sent(name):
    found = re.search(rf"^{name}: (\d+) frames in ([\d.]+) s$", guest, re.M)
    return (int(found[1]), float(found[2])) if found else (0, 0.0)


print("kernel " + guest.split("\n", 1)[0])

for name, rate in [("half_mbit", 4504), ("one_mbit", 9009)]:
    capture, (count, took) = Capture(name), sent(name)
    check(count >= 5 * rate, f"{name}: {count} frames sent in {took} s")
    check(took < 5.5, f"{name}: the sender kept {count / max(took, 0.1):.0f} frames a second of {rate}")
    check(capture.numbers() == list(range(count)), f"{name}: each recorded once, whole, in order")
    check(not capture.kinds("gap"), f"{name}: none lost at the socket")
    check(abs(capture.span - took) < 0.1, f"{name}: by the kernel's stamps they took {capture.span:.2f} s")

capture = Capture("kinds")
lines = [line.split(" ") for line in (folder / "kinds.sent").read_text().splitlines()]
want = [struct.pack(">IBBH", int(w, 16), int(n), int(f), 0) + bytes.fromhex(data) for w, n, f, data in lines]
check([d for _, d in capture.frames] == want, f"kinds: {len(want)} frames as sent: classic, remote, CAN FD, errors")
told = (folder / "kinds.txt").read_text()
for words in ["nobody acknowledges", "bus off", "error passive", "the controller was restarted"]:
    check(words in told, f"kinds: the person is told \"{words}\"")

capture = Capture("down_up")
check(capture.numbers() == 3 * list(range(500)), "down_up: all frames before, between and after recorded")
causes = [e["cause"] for e in capture.kinds("gap")]
check(causes == 2 * ["vcan0 was gone: it was set down or removed"], f"down_up: gaps {causes}")
check((len(capture.kinds("link_up")), len(capture.kinds("link_down"))) == (3, 2), "down_up: up three times, down twice")

capture, (count, _) = Capture("overrun"), sent("overrun")
lost = sum(e["count"] for e in capture.kinds("gap"))
check(lost > 0 and len(capture.frames) + lost == count + 2, f"overrun: {lost} of {count + 2} frames lost, and all counted")

drops = {m[:2]: (int(m[2]), int(m[3])) for m in re.findall(r"^(\w+): (\w+) dropped (\d+) overran (\d+)$", guest, re.M)}
check(len(drops) == 6 and drops["full", "vcan0"] == (0, 0), f"none lost at the interface when the bus was full: {drops}")

capture, (count, took) = Capture("wire"), sent("wire")
overran = sum(e["count"] for e in capture.kinds("gap"))
check(count == 200, f"wire: can0 sent {count} frames in {took} s")
check(capture.numbers() == list(range(count)) and overran == 0, "wire: can1 recorded each once, in order")

capture, (count, _) = Capture("flood"), sent("flood")
data = [n for n, (_, d) in zip(capture.numbers(), capture.frames) if not d[0] & 0x20]
check(0 < len(data) < count and sorted(set(data)) == data, f"flood: {len(data)} of {count} frames came through, in order")
errors = [d for _, d in capture.frames if d[0] & 0x20]
# CAN_ERR_CRTL with CAN_ERR_CRTL_RX_OVERFLOW, linux/can/error.h.
check(errors and all(d[3] & 4 and d[9] & 1 for d in errors), f"flood: the driver told of it {len(errors)} times")
gaps = capture.kinds("gap")
told = sum(e["count"] for e in gaps) + overran
check(gaps and told == sum(drops["end", "can1"]), f"flood: told as gaps: {told} overruns, as the interface counts them")

check("can:vcan0 cannot be opened: it is down; bring it up with" in guest, "an interface that is down is told")
check("can:can9 cannot be opened: there is no such interface" in guest, "an interface that is missing is told")
check(re.search(r"can:can0  up\n +can:can1  up\n +can:vcan0  up\n", guest) is not None, "links lists the interfaces")
for line in re.findall(r"^\w+: processor time .*$", guest, re.M):
    print(line + ", under emulation")

print(f"{checks['passed']} passed, {checks['failed']} failed")
sys.exit(checks["failed"] > 0)
