"""The objects of the simulated drive (CiA 301 and CiA 402), as its EDS file `fixtures/drives/axis.eds` lists them.

Units: position in encoder counts of the output, velocity counts/s, acceleration counts/s^2, torque per mille of
rated torque.
"""

from __future__ import annotations

from legtest.simulation.dictionary import I8, I16, I32, TEXT, U8, U16, U32, Row

RPDO_COUNT, TPDO_COUNT, MAPPING_LENGTH, HISTORY_LENGTH = 2, 3, 8, 8
_INVALID = 1 << 31
_OFF = 0xFFFFFFFF  # a window that watches nothing

_COMMUNICATION = (
    Row(0x1000, 0, "Device type", U32, "ro", 0x00020192),
    Row(0x1001, 0, "Error register", U8, "ro", 0, True),
    Row(0x1003, 0, "Number of errors", U8, "rw", 0),
    *(Row(0x1003, n, f"Standard error field {n}", U32, "ro", 0) for n in range(1, HISTORY_LENGTH + 1)),
    Row(0x1005, 0, "COB-ID SYNC", U32, "rw", 0x80),
    Row(0x1008, 0, "Manufacturer device name", TEXT, "const", "Tarn axis"),
    Row(0x1009, 0, "Manufacturer hardware version", TEXT, "const", "A"),
    Row(0x100A, 0, "Manufacturer software version", TEXT, "const", "1.0"),
    Row(0x1014, 0, "COB-ID EMCY", U32, "ro", 0x80, node_id=True),
    Row(0x1016, 0, "Number of entries", U8, "ro", 1),
    Row(0x1016, 1, "Consumer heartbeat time 1", U32, "rw", 0),
    Row(0x1017, 0, "Producer heartbeat time", U16, "rw", 0),
    Row(0x1018, 0, "Highest sub-index supported", U8, "ro", 4),
    Row(0x1018, 1, "Vendor-ID", U32, "ro"),
    Row(0x1018, 2, "Product code", U32, "ro"),
    Row(0x1018, 3, "Revision number", U32, "ro"),
    Row(0x1018, 4, "Serial number", U32, "ro"),
    Row(0x1029, 0, "Highest sub-index supported", U8, "ro", 1),
    Row(0x1029, 1, "Communication error", U8, "rw", 0),
    Row(0x1200, 0, "Highest sub-index supported", U8, "ro", 2),
    Row(0x1200, 1, "COB-ID client to server", U32, "ro", 0x600, node_id=True),
    Row(0x1200, 2, "COB-ID server to client", U32, "ro", 0x580, node_id=True),
)


def _pdo(communication: int, mapping: int, name: str, cob: int, mapped: int) -> tuple[Row, ...]:
    """A PDO that exists from the start if an object is mapped, else empty and invalid."""
    return (
        Row(communication, 0, "Highest sub-index supported", U8, "ro", 5),
        Row(communication, 1, f"COB-ID {name}", U32, "rw", cob if mapped else cob | _INVALID, node_id=True),
        Row(communication, 2, "Transmission type", U8, "rw", 255),
        Row(communication, 5, "Event timer", U16, "rw", 0),
        Row(mapping, 0, "Number of mapped objects", U8, "rw", 1 if mapped else 0),
        *(
            Row(mapping, n, f"Mapped object {n}", U32, "rw", mapped if n == 1 else 0)
            for n in range(1, MAPPING_LENGTH + 1)
        ),
    )


_PDO = (
    *_pdo(0x1400, 0x1600, "RPDO1", 0x200, 0x60400010),
    *_pdo(0x1401, 0x1601, "RPDO2", 0x300, 0),
    *_pdo(0x1800, 0x1A00, "TPDO1", 0x180, 0x60410010),
    *_pdo(0x1801, 0x1A01, "TPDO2", 0x280, 0),
    *_pdo(0x1802, 0x1A02, "TPDO3", 0x380, 0),
)

_DRIVE = (
    Row(0x2000, 0, "Winding temperature", I16, "ro", mappable=True),  # 0.1 degC
    Row(0x6007, 0, "Abort connection option code", I16, "rw", 1),
    Row(0x603F, 0, "Error code", U16, "ro", 0, True),
    Row(0x6040, 0, "Controlword", U16, "rw", 0, True),
    Row(0x6041, 0, "Statusword", U16, "ro", mappable=True),
    Row(0x605A, 0, "Quick stop option code", I16, "rw", 2),
    Row(0x605B, 0, "Shutdown option code", I16, "rw", 0),
    Row(0x605C, 0, "Disable operation option code", I16, "rw", 1),
    Row(0x605D, 0, "Halt option code", I16, "rw", 1),
    Row(0x605E, 0, "Fault reaction option code", I16, "rw", 2),
    Row(0x6060, 0, "Modes of operation", I8, "rw", 0, True),
    Row(0x6061, 0, "Modes of operation display", I8, "ro", 0, True),
    Row(0x6062, 0, "Position demand value", I32, "ro", mappable=True),
    Row(0x6064, 0, "Position actual value", I32, "ro", mappable=True),
    Row(0x6065, 0, "Following error window", U32, "rw", _OFF),
    Row(0x6066, 0, "Following error time out", U16, "rw", 0),
    Row(0x6067, 0, "Position window", U32, "rw", _OFF),
    Row(0x606C, 0, "Velocity actual value", I32, "ro", mappable=True),
    Row(0x6071, 0, "Target torque", I16, "rw", 0, True),
    Row(0x6072, 0, "Max torque", U16, "rw", 1000, True),
    Row(0x6076, 0, "Motor rated torque", U32, "ro"),  # mN*m
    Row(0x6077, 0, "Torque actual value", I16, "ro", mappable=True),
    Row(0x6079, 0, "DC link circuit voltage", U32, "ro", mappable=True),  # mV
    Row(0x607A, 0, "Target position", I32, "rw", 0, True),
    Row(0x607C, 0, "Home offset", I32, "rw", 0),
    Row(0x607D, 0, "Highest sub-index supported", U8, "ro", 2),
    Row(0x607D, 1, "Min position limit", I32, "rw", -(2**31)),
    Row(0x607D, 2, "Max position limit", I32, "rw", 2**31 - 1),
    Row(0x6081, 0, "Profile velocity", U32, "rw", 50_000),
    Row(0x6083, 0, "Profile acceleration", U32, "rw", 500_000),
    Row(0x6084, 0, "Profile deceleration", U32, "rw", 500_000),
    Row(0x6085, 0, "Quick stop deceleration", U32, "rw", 1_000_000),
    Row(0x6098, 0, "Homing method", I8, "rw", 0),
    Row(0x60B2, 0, "Torque offset", I16, "rw", 0, True),
    Row(0x60C2, 0, "Highest sub-index supported", U8, "ro", 2),
    Row(0x60C2, 1, "Interpolation time period value", U8, "rw", 1),
    Row(0x60C2, 2, "Interpolation time index", I8, "rw", -3),
    Row(0x60E0, 0, "Positive torque limit value", U16, "rw", 0xFFFF, True),
    Row(0x60E1, 0, "Negative torque limit value", U16, "rw", 0xFFFF, True),
    Row(0x60F4, 0, "Following error actual value", I32, "ro", mappable=True),
    Row(0x6502, 0, "Supported drive modes", U32, "ro", 0x000002A1),  # pp, hm, csp, cst
)

ROWS = (*_COMMUNICATION, *_PDO, *_DRIVE)
