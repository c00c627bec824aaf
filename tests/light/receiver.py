"""A receiver of lamps: reads packets by the tables of ANSI E1.31-2018, and shares nothing with the program."""

from __future__ import annotations

import socket
import struct
from dataclasses import dataclass

PORT = 5568  # E1.31, 9.3.1


@dataclass(frozen=True)
class Received:
    """One data packet. Its fields: E1.31, table 4-1."""

    cid: bytes
    source: str
    priority: int
    synchronisation: int
    sequence: int
    options: int
    universe: int
    start_code: int
    slots: bytes

    @property
    def terminated(self) -> bool:
        """Bit 6 of the options (E1.31, 6.2.6)."""
        return bool(self.options & 0x40)


def read(datagram: bytes) -> Received:
    """Raises AssertionError where a field is not what the standard asks."""
    preamble, postamble, identifier, length, vector = struct.unpack_from(">HH12sHI", datagram, 0)
    assert (preamble, postamble, identifier) == (0x0010, 0x0000, b"ASC-E1.17\x00\x00\x00")  # E1.31, 5.1 to 5.3
    assert length == 0x7000 | (len(datagram) - 16)  # 5.4: counted from octet 16
    assert vector == 0x00000004  # 5.5: VECTOR_ROOT_E131_DATA
    cid = datagram[22:38]
    length, vector, source, priority, synchronisation, sequence, options, universe = struct.unpack_from(
        ">HI64sBHBBH", datagram, 38
    )
    assert length == 0x7000 | (len(datagram) - 38)
    assert vector == 0x00000002  # 6.2.1: VECTOR_E131_DATA_PACKET
    assert source.endswith(b"\x00")  # 6.2.2: terminated by null
    length, vector, types, first, increment, count = struct.unpack_from(">HBBHHH", datagram, 115)
    assert length == 0x7000 | (len(datagram) - 115)
    assert (vector, types, first, increment) == (0x02, 0xA1, 0x0000, 0x0001)  # 7.2 to 7.5
    assert count == len(datagram) - 125  # 7.6: the start code and the slots
    return Received(
        cid=cid,
        source=source.rstrip(b"\x00").decode("utf-8"),
        priority=priority,
        synchronisation=synchronisation,
        sequence=sequence,
        options=options,
        universe=universe,
        start_code=datagram[125],
        slots=datagram[126:],
    )


def read_discovery(datagram: bytes) -> tuple[bytes, str, list[int]]:
    """(cid, source, universes) of a discovery packet: E1.31, table 4-3. Raises AssertionError."""
    preamble, postamble, identifier, length, vector = struct.unpack_from(">HH12sHI", datagram, 0)
    assert (preamble, postamble, identifier) == (0x0010, 0x0000, b"ASC-E1.17\x00\x00\x00")
    assert (length, vector) == (0x7000 | (len(datagram) - 16), 0x00000008)  # VECTOR_ROOT_E131_EXTENDED
    length, vector, source = struct.unpack_from(">HI64s", datagram, 38)
    assert (length, vector) == (0x7000 | (len(datagram) - 38), 0x00000002)  # VECTOR_E131_EXTENDED_DISCOVERY
    length, vector, page, last_page = struct.unpack_from(">HIBB", datagram, 112)
    assert (length, vector) == (0x7000 | (len(datagram) - 112), 0x00000001)  # the list of universes
    assert (page, last_page) == (0, 0)
    universes = list(struct.unpack_from(f">{(len(datagram) - 120) // 2}H", datagram, 120))
    return datagram[22:38], source.rstrip(b"\x00").decode("utf-8"), universes


def listening(address: str, *, group: str | None = None) -> socket.socket:
    """A socket at the port of the standard. group: a multicast group that is joined at that address of this machine."""
    taking = socket.socket(socket.AF_INET, socket.SOCK_DGRAM)
    taking.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEADDR, 1)
    taking.bind((group or address, PORT))
    if group is not None:
        member = socket.inet_aton(group) + socket.inet_aton(address)
        taking.setsockopt(socket.IPPROTO_IP, socket.IP_ADD_MEMBERSHIP, member)
    taking.settimeout(30)
    return taking
