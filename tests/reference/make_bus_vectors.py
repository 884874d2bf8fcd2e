"""Makes the vectors to which tests/bus_vectors.rs holds the codecs of the vehicle's bus.

Usage: python make_bus_vectors.py OUT.json            writes the vectors
       python make_bus_vectors.py --compare A.json B.json   compares two files

Transport: can-isotp, both ends of a conversation on a clock of our own. Services 19 and 22: udsoncan. Serial-line text:
python-can. It shares no code with the program. Bytes are hexadecimal, times seconds.
"""

import json
import logging
import random
import sys
import zlib

import can
import can.interfaces.slcan as slcan
import isotp
import isotp.tools
from udsoncan import Dtc, Request, Response
from udsoncan.services import ReadDataByIdentifier, ReadDTCInformation

logging.disable(logging.CRITICAL)  # the library tells of every fault that it is given here

TICK_NS = 50_000
WHOLE = 40  # conversations of at most so many frames stand here frame by frame


class Now:
    """The clock that the library reads, moved by hand."""

    ns = 0

    def perf_counter_ns(self):
        return self.ns


CLOCK = Now()
isotp.tools.time = CLOCK


def payload(n):
    """Byte i of a message of n bytes; the test makes the same."""
    return bytes((i * 7 + i // 256 + n) & 0xFF for i in range(n))


def peer(sends_as, hears, inbox, outbox, errors, **params):
    address = isotp.Address(isotp.AddressingMode.Normal_11bits, txid=sends_as, rxid=hears)

    def send(msg):
        outbox.append((CLOCK.ns, bytes(msg.data)))

    def receive(_timeout):
        if not inbox:
            return None
        return isotp.CanMessage(arbitration_id=hears, data=inbox.pop(0), is_fd=params.get("can_fd", False))

    params = {"tx_padding": 0xCC, "tx_data_min_length": 8, "max_frame_size": 65535, "wait_func": lambda _s: None, **params}
    return isotp.TransportLayerLogic(receive, send, address, params=params, error_handler=lambda e: errors.append(type(e).__name__))


def converse(n, room=8, block=0, pause=0):
    """One message from A to B, each played by the library."""
    CLOCK.ns = 0
    to_a, to_b, from_a, from_b, errors = [], [], [], [], []
    size = {"tx_data_length": room, "can_fd": room > 8}
    a = peer(0x7E0, 0x7E8, to_a, from_a, errors, **size)
    b = peer(0x7E8, 0x7E0, to_b, from_b, errors, blocksize=block, stmin=pause, **size)
    message = payload(n)
    a.send(message)
    frames = []
    while not b.available():
        a.process()
        frames += [("a", t, d) for t, d in from_a]
        to_b += [d for _, d in from_a]
        from_a.clear()
        b.process()
        frames += [("b", t, d) for t, d in from_b]
        to_a += [d for _, d in from_b]
        from_b.clear()
        CLOCK.ns += TICK_NS
        assert CLOCK.ns < 10**12, "the conversation never ends"
    assert bytes(b.recv()) == message and not errors, errors
    row = {"bytes": n, "room": room, "block": block, "pause": pause, "frames": len(frames)}
    row["crc32"] = zlib.crc32(b"".join(d for _, _, d in frames))
    # The least pause between two frames of a block, in ticks; the library waits at least as long as it was asked.
    gaps = [y[1] - x[1] for x, y in zip(frames, frames[1:]) if x[0] == y[0] == "a"]
    row["least_gap_s"] = round(min(gaps) * 1e-9, 6) if gaps else None
    if len(frames) <= WHOLE:
        row["said"] = [[who, d.hex()] for who, _, d in frames]
    return row


def conversations():
    rows = [converse(n) for n in (1, 6, 7, 8, 13, 14, 20, 100, 127)]
    rows += [converse(n, block=b, pause=p) for n, b, p in [(62, 1, 0), (62, 2, 0xF1), (90, 3, 1), (200, 15, 0xF9), (100, 8, 10), (55, 7, 0x7F)]]
    rows += [converse(n) for n in (4094, 4095, 4096, 5000)] + [converse(9000, block=16)]
    rows += [converse(n, room=64) for n in (7, 8, 9, 30, 61, 62, 63, 300)]
    rows += [converse(300, room=64, block=2, pause=2), converse(100, room=12), converse(90, room=32, block=1), converse(5000, room=64)]
    return rows


def received(name, frames, **params):
    """What the library's receiver makes of frames at given seconds."""
    inbox, outbox, errors, got = [], [], [], []
    CLOCK.ns = 0
    b = peer(0x7E8, 0x7E0, inbox, outbox, errors, blocksize=0, stmin=0, **params)
    for at, data in frames:
        CLOCK.ns = round(at * 1e9)
        inbox.append(bytes.fromhex(data))
        b.process()
        while b.available():
            got.append(bytes(b.recv()).hex())
    return {
        "name": name,
        "frames": [[at, data] for at, data in frames],
        "messages": got,
        "errors": errors,
        "flow": [d.hex() for _, d in outbox],
    }


def receptions():
    first, second, third = "1014490201574142", "2143444546473132", "2233343536373839"
    return [
        received("sound", [(0.0, first), (0.01, second), (0.02, third)]),
        received("a part is missing", [(0.0, first), (0.01, third)]),
        received("a part came twice", [(0.0, first), (0.01, second), (0.02, second), (0.03, third)]),
        received("a whole message in between", [(0.0, first), (0.01, "037f0978cccccccc"), (0.02, second), (0.03, third)]),
        received("begun anew", [(0.0, first), (0.01, second), (0.02, first), (0.03, second), (0.04, third)]),
        received("joined in the middle", [(0.0, second), (0.01, third), (0.02, "02410c")]),
        received("silence in the middle", [(0.0, first), (1.2, second), (1.3, third)]),
        received("longer than it may be", [(0.0, "1000000100000000")]),
        received("unpadded", [(0.0, "1009490201574142"), (0.01, "21434445")]),
        received("no frame of the protocol", [(0.0, "4000000000000000"), (0.01, "0000000000000000"), (0.02, "0900000000000000")]),
        received("shorter than it claims", [(0.0, "0501"), (0.01, "02410c")]),
    ]


def told_to_wait():
    """The library's sender told to wait twice, then to go on; and one told that it is too long."""
    CLOCK.ns = 0
    inbox, outbox, errors = [], [], []
    a = peer(0x7E0, 0x7E8, inbox, outbox, errors, wftmax=3)
    said = []

    def step(flow=None):
        if flow is not None:
            said.append(["b", bytes(flow).hex()])
            inbox.append(bytes(flow))
        a.process()
        said.extend(["a", d.hex()] for _, d in outbox)
        outbox.clear()
        CLOCK.ns += 20_000_000

    craft = isotp.protocol.PDU.craft_flow_control_data
    a.send(payload(20))
    for flow in (None, craft(1, 0, 0), craft(1, 0, 0), craft(0, 1, 0), craft(0, 1, 0)):
        step(flow)
    waited = {"bytes": 20, "said": list(said)}
    assert not errors and not a.transmitting(), errors
    said.clear()
    a.send(payload(20))
    step()
    step(craft(2, 0, 0))
    assert errors == ["OverflowError"] and not a.transmitting()
    return {"waited": waited, "overflow": {"bytes": 20, "said": list(said)}}


def pauses():
    """The pause codes that the library takes, in seconds; it refuses the reserved ones, the standard says 127 ms."""
    rows = []
    for code in range(256):
        try:
            pdu = isotp.protocol.PDU(isotp.CanMessage(data=bytes([0x30, 0, code])))
            rows.append(pdu.stmin_sec)
        except ValueError:
            rows.append(None)
    return rows


def uds_requests():
    plain = {did: "B" for did in (0xF190, 0xF40C, 0x1234)}
    rows = [
        {"ask": "dids", "ids": ids, "bytes": ReadDataByIdentifier.make_request(ids, plain).get_payload().hex()}
        for ids in ([0xF190], [0xF190, 0xF40C], [0xF190, 0xF40C, 0x1234])
    ]
    for mask in (0x08, 0x0D, 0xFF):
        codes = ReadDTCInformation.make_request(0x02, status_mask=mask)
        rows.append({"ask": "codes_by_status", "mask": mask, "bytes": codes.get_payload().hex()})
        codes = ReadDTCInformation.make_request(0x42, status_mask=mask, severity_mask=0xFF, functional_group_id=0x33)
        rows.append({"ask": "emission_codes", "mask": mask, "bytes": codes.get_payload().hex()})
    permanent = ReadDTCInformation.make_request(0x55, functional_group_id=0x33)
    rows.append({"ask": "emission_permanent", "bytes": permanent.get_payload().hex()})
    for code in (0x045600, 0x044213):
        frozen = ReadDTCInformation.make_request(0x04, dtc=code, snapshot_record_number=0xFF)
        rows.append({"ask": "snapshots", "code": code, "bytes": frozen.get_payload().hex()})
    for row in rows:
        assert Request.from_payload(bytes.fromhex(row["bytes"])).get_payload().hex() == row["bytes"]
    return rows


def uds_codes():
    """Answers of service 19, read by the library: three bytes of the code and its status."""
    draw = random.Random(20)
    rows = []
    for report in (0x02, 0x42, 0x55):
        for n in (0, 1, 2, 5, 9):
            head = {0x02: [0xFF], 0x42: [0x33, 0xFF, 0xE0, 0x04], 0x55: [0x33, 0xFF, 0x04]}[report]
            body = []
            for _ in range(n):
                code = [draw.choice([0x04, 0x00, 0x26, 0x24]), draw.randrange(1, 256), draw.choice([0, 0x13, 0x29])]
                status = draw.choice([0x04, 0x08, 0x0C, 0x2F, 0x89])
                body += ([] if report == 0x02 else [draw.choice([0x20, 0x40, 0x80])]) + code + [status]
            message = bytes([0x59, report, *head, *body])
            answer = ReadDTCInformation.interpret_response(Response.from_payload(message), report)
            assert answer.service_data.dtc_count == n
            codes = [[d.id, d.status.get_byte_as_int()] for d in answer.service_data.dtcs]
            rows.append({"bytes": message.hex(), "report": report, "codes": codes})
    return rows


def uds_snapshots():
    """Answers of service 19 04 (what stood when a code was stored), read by the library: records with their identifiers."""
    config = {0xF405: "B", 0xF40C: ">H", 0xF42F: "B", 0xF432: ">h", 0xF446: "B"}
    rows = []
    for message in (
        "590404560089",
        "590404560089" + "0001f40582",
        "590404560089" + "0005f40582f40c0bb8f42f80f432fc18f44637",
        "590404421304" + "0002f40582f40c0bb8" + "0102f40583f40c0bb9" + "f001f42f81",
    ):
        answer = ReadDTCInformation.interpret_response(
            Response.from_payload(bytes.fromhex(message)), 0x04, didconfig=config, dtc_snapshot_did_size=2
        )
        (dtc,) = answer.service_data.dtcs
        records = {}
        for s in dtc.snapshots:
            records.setdefault(s.record_number, []).append([s.did, s.raw_data.hex()])
        rows.append({"bytes": message, "code": dtc.id, "status": dtc.status.get_byte_as_int(), "records": sorted(records.items())})
    return rows


def uds_no():
    """Refusals and "needs longer", as the library names them."""
    rows = []
    for service, why in [(0x22, 0x31), (0x19, 0x12), (0x22, 0x78), (0x19, 0x78), (0x22, 0x13), (0x19, 0x7F), (0x22, 0x33), (0x22, 0x21)]:
        answer = Response.from_payload(bytes([0x7F, service, why]))
        assert not answer.positive and answer.service.request_id() == service
        rows.append({"service": service, "why": answer.code, "name": answer.code_name, "bytes": f"7f{service:02x}{why:02x}"})
    return rows


def uds_data():
    """Answers of service 22 with several identifiers, taken apart by the library."""
    config = {0xF40C: ">H", 0xF40D: "B", 0xF433: "B", 0xF454: ">h", 0x1234: ">I"}
    rows = []
    for message, ids in [
        ("62f40c0bb8", [0xF40C]),
        ("62f40c0bb8f40d32f43365", [0xF40C, 0xF40D, 0xF433]),
        ("62f454ff9c1234deadbeef", [0xF454, 0x1234]),
        ("62f40d32f40c0bb8", [0xF40C, 0xF40D]),
    ]:
        answer = ReadDataByIdentifier.interpret_response(Response.from_payload(bytes.fromhex(message)), ids, config)
        values = answer.service_data.values
        rows.append({"bytes": message, "values": [[did, values[did][0]] for did in values]})
    return rows


def serial_text():
    """Frames as python-can writes them to a serial line, and what it reads from lines."""
    bus = can.Bus(interface="slcan", channel="loop://", sleep_after_open=0, bitrate=500_000)
    port = bus.serialPortOrig
    opening = port.read(port.in_waiting).decode()
    draw = random.Random(5)
    written = []
    frames = [(0x7DF, False, bytes.fromhex("02010c")), (0x18DB33F1, True, bytes.fromhex("0201050000000000"))]
    frames += [(draw.randrange(0x800), False, draw.randbytes(draw.randrange(9))) for _ in range(12)]
    frames += [(draw.randrange(1 << 29), True, draw.randbytes(draw.randrange(9))) for _ in range(12)]
    frames += [(0, False, b""), (0x7FF, False, bytes(8)), (0, True, b""), (0x1FFFFFFF, True, b"\xff" * 8)]
    for number, extended, data in frames:
        bus.send(can.Message(arbitration_id=number, is_extended_id=extended, data=data))
        line = port.read(port.in_waiting).decode()
        written.append({"id": number, "extended": extended, "data": data.hex(), "line": line})
        # It reads its own line back alike, so reader and writer agree.
        port.write(line.encode())
        again = bus.recv(0.1)
        assert (again.arbitration_id, again.is_extended_id, bytes(again.data)) == (number, extended, data)
    remote = []
    for number, extended in [(0x123, False), (0x12345678, True)]:
        bus.send(can.Message(arbitration_id=number, is_extended_id=extended, is_remote_frame=True, dlc=4))
        remote.append({"id": number, "extended": extended, "line": port.read(port.in_waiting).decode()})
    # It has 750 kbit/s where the kernel's driver has 800 kbit/s: the kernel is the source, so that digit is left out.
    rates = {digits: rate for rate, digits in slcan.slcanBus._BITRATES.items() if digits not in ("S7", "S9")}
    bus._listen_only = True
    bus.open()
    listening = port.read(port.in_waiting).decode()
    bus.close()
    closing = port.read(port.in_waiting).decode()
    bus.shutdown()
    return {
        "opening": opening,
        "listening": listening,
        "closing": closing,
        "rates": rates,
        "written": written,
        "remote": remote,
    }


def vectors():
    return {
        "conversations": conversations(),
        "receptions": receptions(),
        "told": told_to_wait(),
        "pauses": pauses(),
        "uds_requests": uds_requests(),
        "uds_codes": uds_codes(),
        "uds_snapshots": uds_snapshots(),
        "uds_no": uds_no(),
        "uds_data": uds_data(),
        "serial": serial_text(),
    }


def written(all_vectors):
    """One row a line: short enough to read, and a change shows where it is."""
    parts = []
    for name, rows in all_vectors.items():
        if isinstance(rows, list) and name != "pauses":
            body = "[\n" + ",\n".join("  " + json.dumps(r) for r in rows) + "\n ]"
        else:
            body = json.dumps(rows)
        parts.append(f" {json.dumps(name)}: {body}")
    return "{\n" + ",\n".join(parts) + "\n}\n"


if __name__ == "__main__":
    if sys.argv[1] == "--compare":
        with open(sys.argv[2]) as x, open(sys.argv[3]) as y:
            a, b = json.load(x), json.load(y)
        for name in sorted(a.keys() | b.keys()):
            assert a.get(name) == b.get(name), f"the vectors of {name} differ"
        print("the vectors agree")
    else:
        with open(sys.argv[1], "w") as out:
            out.write(written(vectors()))
