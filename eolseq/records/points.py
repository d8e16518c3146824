"""The curve of Ed25519 in a few short functions: whether 32 bytes are a public key that every verifier agrees on.

Used once for each key, at enrolment and when a log is read; signing and verifying are the library's work.
"""

from __future__ import annotations

from functools import lru_cache

_P = 2**255 - 19
_L = 2**252 + 27742317777372353535851937790883648493
_D = -121665 * pow(121666, -1, _P) % _P
_SQRT_MINUS_ONE = pow(2, (_P - 1) // 4, _P)

# Every 32-byte spelling, canonical or not, of the eight points whose order divides 8, without the sign bit.
_SMALL_ORDER_Y = frozenset(bytes.fromhex(text) for text in (
    "0000000000000000000000000000000000000000000000000000000000000000",
    "0100000000000000000000000000000000000000000000000000000000000000",
    "26e8958fc2b227b045c3f489f2ef98f0d5dfac05d3c63339b13802886d53fc05",
    "c7176a703d4dd84fba3c0b760d10670f2a2053fa2c39ccc64ec7fd7792ac037a",
    "ecffffffffffffffffffffffffffffffffffffffffffffffffffffffffffff7f",
    "edffffffffffffffffffffffffffffffffffffffffffffffffffffffffffff7f",
    "eeffffffffffffffffffffffffffffffffffffffffffffffffffffffffffff7f",
))
SMALL_ORDER = _SMALL_ORDER_Y | {y[:31] + bytes([y[31] | 0x80]) for y in _SMALL_ORDER_Y}

_Point = tuple[int, int, int, int]


@lru_cache(maxsize=64)
def is_prime_order(public: bytes) -> bool:
    """Whether 32 bytes are the canonical spelling of a point of the prime-order group, the identity excluded."""
    point = _decode(public)
    return point is not None and public not in SMALL_ORDER and _is_identity(_multiply(_L, point))


def _decode(public: bytes) -> _Point | None:
    """The point in extended coordinates (RFC 8032 section 5.1.3); None when the spelling is not canonical."""
    if len(public) != 32:
        return None
    y, sign = int.from_bytes(public, "little") & (1 << 255) - 1, public[31] >> 7
    if y >= _P:
        return None
    square = (y * y - 1) * pow(_D * y * y + 1, -1, _P) % _P
    x = pow(square, (_P + 3) // 8, _P)
    if (x * x - square) % _P:
        x = x * _SQRT_MINUS_ONE % _P
    if (x * x - square) % _P or (x == 0 and sign):
        return None
    x = _P - x if x & 1 != sign else x
    return x, y, 1, x * y % _P


def _add(one: _Point, other: _Point) -> _Point:
    a = (one[1] - one[0]) * (other[1] - other[0]) % _P
    b = (one[1] + one[0]) * (other[1] + other[0]) % _P
    c = 2 * one[3] * other[3] * _D % _P
    d = 2 * one[2] * other[2] % _P
    e, f, g, h = b - a, d - c, d + c, b + a
    return e * f % _P, g * h % _P, f * g % _P, e * h % _P


def _multiply(times: int, point: _Point) -> _Point:
    total: _Point = (0, 1, 1, 0)
    while times:
        if times & 1:
            total = _add(total, point)
        point, times = _add(point, point), times >> 1
    return total


def _is_identity(point: _Point) -> bool:
    return point[0] % _P == 0 and (point[1] - point[2]) % _P == 0
