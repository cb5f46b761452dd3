"""Modbus RTU as bytes in and bytes out: frames, checksum, exceptions. A master's side, for a few registers.

It must never know a wire or what a register holds. A reply counts only when its length, checksum, address and function
are right; registers are unsigned 16 bits, big-endian.
Source: MODBUS Application Protocol Specification V1.1b3 (functions 03, 04, 2B/0E; exception codes); MODBUS over Serial
Line V1.02, 2.5.1 (RTU framing, CRC-16 low byte first).
"""

from __future__ import annotations

import struct

from rig.errors import BadReply, InstrumentRefused

HOLDING, INPUT, ENCAPSULATED, DEVICE_ID = 0x03, 0x04, 0x2B, 0x0E
EXCEPTIONS = {
    1: "illegal function",
    2: "illegal data address",
    3: "illegal data value",
    4: "device failure",
    6: "device busy",
}


def crc16(data: bytes) -> int:
    """The checksum of a frame's bytes."""
    crc = 0xFFFF
    for byte in data:
        crc ^= byte
        for _ in range(8):
            crc = crc >> 1 ^ 0xA001 if crc & 1 else crc >> 1
    return crc


def frame(address: int, body: bytes) -> bytes:
    """Address, body, checksum."""
    data = bytes([address]) + body
    return data + struct.pack("<H", crc16(data))


def read_request(address: int, function: int, first: int, count: int) -> bytes:
    """Asks for `count` registers from `first`, counted from 0."""
    return frame(address, struct.pack(">BHH", function, first, count))


def identify_request(address: int) -> bytes:
    """Asks for the extended identification, from object 0."""
    return frame(address, bytes([ENCAPSULATED, DEVICE_ID, 0x03, 0x00]))


def checked(data: bytes, address: int, function: int, exchange: str) -> bytes:
    """The body of a whole reply behind its function code. BadReply or InstrumentRefused."""
    if len(data) < 5 or struct.unpack("<H", data[-2:])[0] != crc16(data[:-2]):
        raise BadReply(f"{data.hex(' ')}: wrong checksum or length", exchange=exchange)
    if data[0] != address or data[1] & 0x7F != function:
        raise BadReply(f"{data.hex(' ')} answers another request", exchange=exchange)
    if data[1] & 0x80:
        told = EXCEPTIONS.get(data[2], "see its manual")
        raise InstrumentRefused(f"exception {data[2]}, {told}", code=data[2], exchange=exchange)
    return data[2:-2]


def registers(body: bytes, count: int, exchange: str) -> list[int]:
    """The registers of a checked reply to a read. BadReply when they are not as many as were asked for."""
    if len(body) != 1 + 2 * count or body[0] != 2 * count:
        raise BadReply(f"{body.hex(' ')}: not {count} registers", exchange=exchange)
    return list(struct.unpack(f">{count}H", body[1:]))


def objects(body: bytes) -> dict[int, str]:
    """Object id -> text of a checked identification. BadReply when it is cut."""
    if len(body) < 6:
        raise BadReply(f"{body.hex(' ')}: no identification")
    found, at = {}, 6
    for _ in range(body[5]):
        if at + 2 > len(body) or at + 2 + body[at + 1] > len(body):
            raise BadReply(f"{body.hex(' ')}: the identification is cut")
        found[body[at]] = body[at + 2 : at + 2 + body[at + 1]].decode("ascii", "replace")
        at += 2 + body[at + 1]
    return found
