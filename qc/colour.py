"""Colorimetry of a near-white: chromaticity, colour temperature, casts, correction.

Arithmetic only. Arrays hold channels or coordinates on their last axis. Clause and
table numbers of CIE 15 are from memory.
"""

from __future__ import annotations

import math

import numpy as np
from numpy.typing import ArrayLike, NDArray

from qc.signal import (
    Primaries,
    Signal,
    Transfer,
    rgb_to_xyz,
    to_linear,
    ycbcr_to_rgb,
)

__all__ = [
    "DUV_MEANINGFUL",
    "cast_of_codes",
    "cct_duv",
    "delta_e00_from_neutral",
    "diffuse_white",
    "gain_stops",
    "linear_rgb_to_xyz",
    "mired",
    "planckian_uv",
    "uv_prime",
    "white_xyz",
    "xyz_to_lab",
]

Array = NDArray[np.float64]

# Farther than this from the Planckian locus a correlated colour temperature says
# nothing: CIE 15:2004, 9.5 (from memory).
DUV_MEANINGFUL = 0.05

# Cube-root part of L*a*b* above this share of white: CIE 15:2004, 8.2.1.
_LAB_KNEE = (24 / 116) ** 3

# Triangle below, parabola from here on: Ohno 2013.
_PARABOLA_FROM_DUV = 0.002


def linear_rgb_to_xyz(rgb: ArrayLike, *, primaries: Primaries) -> Array:
    """Turn linear R, G, B into CIE 1931 XYZ; white (1, 1, 1) has Y = 1.

    Parameters
    ----------
    rgb : (..., 3) array
        Linear light, see `qc.signal.to_linear`.
    primaries : str
        Primaries of `rgb`, by the names of `qc.signal`.

    Returns
    -------
    (..., 3) array
    """
    out: Array = np.asarray(rgb, np.float64) @ rgb_to_xyz(primaries).T
    return out


def white_xyz(primaries: Primaries) -> Array:
    """Return XYZ of the encoding's white, Y = 1.

    Examples
    --------
    >>> white_xyz("bt709").round(4).tolist()
    [0.9505, 1.0, 1.0891]
    """
    return linear_rgb_to_xyz([1.0, 1.0, 1.0], primaries=primaries)


def diffuse_white(transfer: Transfer) -> float:
    """Return the linear light of a white surface, in the units of `to_linear`.

    Returns
    -------
    float
        1 for SDR curves: nominal white. HLG: the light of 75 % signal. PQ: 203 cd/m2.

    References
    ----------
    ITU-R BT.2408, table 1: HDR reference white.

    Examples
    --------
    >>> diffuse_white("bt709"), diffuse_white("pq"), round(diffuse_white("hlg"), 4)
    (1.0, 0.0203, 0.265)
    """
    if transfer == "hlg":
        return float(to_linear(0.75, transfer="hlg"))
    if transfer == "pq":
        return 203 / 10_000
    return 1.0


def uv_prime(xyz: ArrayLike) -> Array:
    """Return CIE 1976 u', v' of XYZ; NaN for black.

    References
    ----------
    CIE 15:2004, 8.1.

    Examples
    --------
    >>> uv_prime(white_xyz("bt709")).round(4).tolist()
    [0.1978, 0.4683]
    """
    v = np.asarray(xyz, np.float64)
    with np.errstate(invalid="ignore", divide="ignore"):
        out: Array = v[..., :2] * (4.0, 9.0) / (v @ (1.0, 15.0, 3.0))[..., None]
    return out


def mired(cct_k: float) -> float:
    """Return a colour temperature in mired, a million over kelvin.

    Examples
    --------
    >>> mired(3200)
    312.5
    """
    return 1e6 / cct_k


def xyz_to_lab(xyz: ArrayLike, *, white: ArrayLike) -> Array:
    """Turn XYZ into CIE 1976 L*, a*, b*.

    Parameters
    ----------
    xyz, white : (..., 3) arrays
        In the same unit; `white` has L* = 100.

    References
    ----------
    CIE 15:2004, 8.2.1; ISO/CIE 11664-4.
    """
    t = np.asarray(xyz, np.float64) / np.asarray(white, np.float64)
    f = np.where(t > _LAB_KNEE, np.cbrt(t), t * (841 / 108) + 16 / 116)
    fx, fy, fz = f[..., 0], f[..., 1], f[..., 2]
    return np.stack([116.0 * fy - 16.0, 500.0 * (fx - fy), 200.0 * (fy - fz)], axis=-1)


def delta_e00_from_neutral(a: ArrayLike, b: ArrayLike) -> Array:
    """Return the CIEDE2000 difference between L*, a*, b* and L*, 0, 0.

    Parameters
    ----------
    a, b : arrays
        CIE 1976 a*, b*.

    Returns
    -------
    array
        With the parametric factors kL, kC and kH at 1.

    Notes
    -----
    A neutral has no hue and no lightness difference is left, so of the formula only
    the chroma term stays: dC'/S_C, with dC' = C' and the mean chroma C'/2.

    References
    ----------
    Sharma, Wu, Dalal, Color Res. Appl. 30(1), 21-30 (2005), equations 2 to 22.

    Examples
    --------
    Their pair 7, (50, 0, 0) against (50, -1, 2), is 2.3669:

    >>> round(float(delta_e00_from_neutral(-1.0, 2.0)), 4)
    2.3669
    """
    a_star, b_star = np.asarray(a, np.float64), np.asarray(b, np.float64)
    mean7 = (np.hypot(a_star, b_star) / 2.0) ** 7
    g = 0.5 * (1.0 - np.sqrt(mean7 / (mean7 + 25.0**7)))
    chroma = np.hypot((1.0 + g) * a_star, b_star)
    out: Array = chroma / (1.0 + 0.045 * chroma / 2.0)
    return out


def gain_stops(rgb: ArrayLike) -> Array:
    """Return the gains of red and blue that would make a colour neutral.

    Parameters
    ----------
    rgb : (..., 3) array
        Linear light.

    Returns
    -------
    (..., 2) array
        Stops for red, log2(G/R), and blue, log2(G/B), green being left as it is; a
        warm colour asks for less red and more blue. NaN where a channel has no light.

    Examples
    --------
    >>> gain_stops([0.5, 0.25, 0.125]).tolist()
    [-1.0, 1.0]
    """
    light = np.asarray(rgb, np.float64)
    light = np.where(light > 0, light, np.nan)
    out: Array = np.log2(light[..., 1:2] / light[..., [0, 2]])
    return out


def cast_of_codes(codes: NDArray[np.floating], *, signal: Signal) -> dict[str, Array]:
    """Return what a colour, meant to be neutral, is off by.

    Parameters
    ----------
    codes : (n, 3) array
        Y', Cb, Cr codes, not necessarily whole.
    signal : Signal

    Returns
    -------
    dict of (n,) arrays
        ``white_delta_e00``: CIEDE2000 between neutral and a white (L* 100) of this
        chromaticity. ``delta_e00``: the same at the colour's own lightness.
        ``delta_uv_prime``: distance from the encoding's white. ``cct_k``, ``duv``.
        ``red_stops``, ``blue_stops``: gains that make it neutral.
        ``patch_luma_percent``.
    """
    y, cb, cr = np.asarray(codes, np.float64).T
    light = to_linear(
        ycbcr_to_rgb(y, cb, cr, signal=signal), transfer=signal.transfer
    ) / diffuse_white(signal.transfer)
    xyz = linear_rgb_to_xyz(light, primaries=signal.primaries)
    white = white_xyz(signal.primaries)
    uv = uv_prime(xyz)
    cct_k, duv = np.array([cct_duv(u, v * 2 / 3) for u, v in uv.tolist()]).T
    red, blue = gain_stops(light).T
    lab, bright = (xyz_to_lab(c, white=white) for c in (xyz, xyz / xyz[:, 1:2]))
    return {
        "white_delta_e00": delta_e00_from_neutral(bright[:, 1], bright[:, 2]),
        "delta_e00": delta_e00_from_neutral(lab[:, 1], lab[:, 2]),
        "delta_uv_prime": np.hypot(*(uv - uv_prime(white)).T),
        "cct_k": cct_k,
        "duv": duv,
        "red_stops": red,
        "blue_stops": blue,
        "patch_luma_percent": 100.0
        * (y - signal.black)
        / (signal.white - signal.black),
    }


def planckian_uv(cct_k: ArrayLike) -> Array:
    """Return CIE 1960 u, v of a black body.

    Parameters
    ----------
    cct_k : array
        Temperature in kelvin, 800 to 100 000; NaN outside.

    Returns
    -------
    (..., 2) array
        Within 1e-7 of the table's source, by cubic interpolation in the
        logarithm of the temperature.
    """
    kelvin = np.asarray(cct_k, np.float64)
    inside = (kelvin >= _LOWEST_K) & (kelvin <= _HIGHEST_K)
    x = _STEPS_A_DECADE * np.log10(np.where(inside, kelvin, _LOWEST_K) / _LOCUS_FROM_K)
    k = np.clip(x.astype(np.intp) - 1, 0, len(_LOCUS_UV) - 4)
    f = x - k
    weights = np.stack(
        [
            (f - 1) * (f - 2) * (f - 3) / -6.0,
            f * (f - 2) * (f - 3) / 2.0,
            f * (f - 1) * (f - 3) / -2.0,
            f * (f - 1) * (f - 2) / 6.0,
        ],
        axis=-1,
    )
    around = _LOCUS_UV[k[..., None] + np.arange(4)]
    uv = np.einsum("...k,...kc->...c", weights, around)
    return np.where(inside[..., None], uv, np.nan)


def cct_duv(u: float, v: float) -> tuple[float, float]:
    """Return correlated colour temperature and distance from the Planckian locus.

    Parameters
    ----------
    u, v : float
        CIE 1960 coordinates.

    Returns
    -------
    cct_k : float
        Kelvin; says little where Duv is beyond `DUV_MEANINGFUL`.
    duv : float
        Distance in u, v; above the locus (greenish) positive, below (pinkish)
        negative. Both are NaN when the colour temperature is not between 800 and
        100 000 K.

    References
    ----------
    Ohno, "Practical use and calculation of CCT and Duv", LEUKOS 10(1), 47-55 (2014):
    triangular solution near the locus, parabolic solution away from it, here on a
    table in steps of 0.25 %.

    Examples
    --------
    D65:

    >>> u, v = uv_prime(white_xyz("bt709")).tolist()
    >>> cct_k, duv = cct_duv(u, v * 2 / 3)
    >>> round(cct_k), round(duv, 4)
    (6504, 0.0032)
    """
    if not (math.isfinite(u) and math.isfinite(v)):
        return math.nan, math.nan
    away, beside = _FINE_U - u, _FINE_V - v
    away *= away
    beside *= beside
    away += beside
    nearest = int(away.argmin())
    if not 0 < nearest < len(_FINE) - 1:
        return math.nan, math.nan
    (t0, u0, v0), (t1, u1, v1), (t2, u2, v2) = _FINE[nearest - 1 : nearest + 2]
    d0, d1 = math.hypot(u - u0, v - v0), math.hypot(u - u1, v - v1)
    d2 = math.hypot(u - u2, v - v2)

    side = math.hypot(u2 - u0, v2 - v0)
    along = (d0 * d0 - d2 * d2 + side * side) / (2.0 * side)
    height = math.sqrt(max(d0 * d0 - along * along, 0.0))
    sign = math.copysign(1.0, v - (v0 + (v2 - v0) * along / side))
    if height < _PARABOLA_FROM_DUV:
        return t0 + (t2 - t0) * along / side, sign * height

    slope = (d1 - d0) / (t1 - t0)
    bend = ((d2 - d1) / (t2 - t1) - slope) / (t2 - t0)
    cct_k = (t0 + t1) / 2.0 - slope / (2.0 * bend)
    return cct_k, sign * (d0 + (cct_k - t0) * (slope + bend * (cct_k - t1)))


# CIE 1960 u, v of black bodies, 50 to the decade from 794.3 K to 100 000 K: Planck's
# law with c2 = 0.014388 m K and the CIE 1931 2-degree colour matching functions at
# 1 nm, 360 to 830 nm (CIE 15, table T.4; CIE S 014-1), summed. The functions were
# taken from colour-science's copy; tests/test_colour.py makes this table anew.
_LOCUS_FROM_K = 10**2.9
_STEPS_A_DECADE = 50
# fmt: off
_LOCUS_UV: Array = np.array(
    [
        (0.50144530, 0.34970044), (0.49095335, 0.35070196), (0.48031909, 0.35170355),
        (0.46958812, 0.35269707), (0.45880463, 0.35367391), (0.44801089, 0.35462498),
        (0.43724694, 0.35554077), (0.42655018, 0.35641138), (0.41595523, 0.35722662),
        (0.40549377, 0.35797608), (0.39519448, 0.35864921), (0.38508306, 0.35923554),
        (0.37518227, 0.35972472), (0.36551210, 0.36010680), (0.35608987, 0.36037230),
        (0.34693037, 0.36051250), (0.33804606, 0.36051955), (0.32944723, 0.36038668),
        (0.32114211, 0.36010832), (0.31313706, 0.35968030), (0.30543667, 0.35909987),
        (0.29804389, 0.35836584), (0.29096015, 0.35747859), (0.28418543, 0.35644004),
        (0.27771839, 0.35525367), (0.27155643, 0.35392438), (0.26569583, 0.35245842),
        (0.26013181, 0.35086327), (0.25485863, 0.34914746), (0.24986971, 0.34732044),
        (0.24515770, 0.34539238), (0.24071461, 0.34337402), (0.23653187, 0.34127649),
        (0.23260048, 0.33911118), (0.22891102, 0.33688953), (0.22545384, 0.33462294),
        (0.22221904, 0.33232262), (0.21919660, 0.32999951), (0.21637646, 0.32766412),
        (0.21374852, 0.32532649), (0.21130278, 0.32299612), (0.20902931, 0.32068187),
        (0.20691836, 0.31839196), (0.20496036, 0.31613390), (0.20314600, 0.31391446),
        (0.20146622, 0.31173968), (0.19991226, 0.30961486), (0.19847571, 0.30754454),
        (0.19714847, 0.30553256), (0.19592284, 0.30358203), (0.19479148, 0.30169540),
        (0.19374742, 0.29987449), (0.19278410, 0.29812053), (0.19189536, 0.29643420),
        (0.19107539, 0.29481568), (0.19031879, 0.29326472), (0.18962051, 0.29178068),
        (0.18897587, 0.29036256), (0.18838054, 0.28900908), (0.18783049, 0.28771873),
        (0.18732202, 0.28648978), (0.18685173, 0.28532034), (0.18641647, 0.28420841),
        (0.18601338, 0.28315191), (0.18563981, 0.28214867), (0.18529335, 0.28119652),
        (0.18497179, 0.28029326), (0.18467310, 0.27943670), (0.18439545, 0.27862470),
        (0.18413713, 0.27785514), (0.18389662, 0.27712593), (0.18367250, 0.27643508),
        (0.18346349, 0.27578064), (0.18326841, 0.27516072), (0.18308619, 0.27457354),
        (0.18291585, 0.27401736), (0.18275649, 0.27349052), (0.18260730, 0.27299146),
        (0.18246751, 0.27251867), (0.18233645, 0.27207072), (0.18221348, 0.27164627),
        (0.18209802, 0.27124402), (0.18198954, 0.27086277), (0.18188755, 0.27050135),
        (0.18179161, 0.27015869), (0.18170130, 0.26983376), (0.18161624, 0.26952558),
        (0.18153608, 0.26923324), (0.18146050, 0.26895588), (0.18138920, 0.26869267),
        (0.18132189, 0.26844286), (0.18125834, 0.26820571), (0.18119829, 0.26798054),
        (0.18114153, 0.26776671), (0.18108785, 0.26756362), (0.18103707, 0.26737067),
        (0.18098901, 0.26718735), (0.18094351, 0.26701313), (0.18090042, 0.26684753),
        (0.18085959, 0.26669011), (0.18082089, 0.26654043), (0.18078420, 0.26639810),
        (0.18074940, 0.26626272), (0.18071638, 0.26613394), (0.18068505, 0.26601142),
        (0.18065532, 0.26589484),
    ]
)
# fmt: on
_LOCUS_UV.flags.writeable = False
_LOWEST_K, _HIGHEST_K = 800.0, 100_000.0

# The table that Ohno's method looks into: 2000 steps of a quarter of a percent.
_FINE_K: Array = np.geomspace(_LOWEST_K, _HIGHEST_K, 2001)
_FINE_U, _FINE_V = np.ascontiguousarray(planckian_uv(_FINE_K).T)
_FINE = list(zip(_FINE_K.tolist(), _FINE_U.tolist(), _FINE_V.tolist(), strict=True))
