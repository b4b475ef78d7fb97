"""NIST/ITL StRD, one-way analysis of variance: data and certified values (itl.nist.gov/div898/strd, public domain).

SmLs01 to SmLs09 are made by their published construction (Simon and Lesage, Computational Statistics & Data Analysis
8, 1989): nine treatments whose first value is the centre and whose others lie 0.1 below and above it in turn.
"""

import numpy as np

SIRSTV = np.array(
    [
        [196.3052, 196.1240, 196.1890, 196.2569, 196.3403],
        [196.3042, 196.3825, 196.1669, 196.3257, 196.0422],
        [196.1303, 196.2005, 196.2889, 196.0343, 196.1811],
        [196.2795, 196.1748, 196.1494, 196.1485, 195.9885],
        [196.2119, 196.1051, 196.1850, 196.0052, 196.2090],
    ]
)
SILVER = 107.868
# The digits after 107.868, seven decimals in all.
ATMWTAG = SILVER + 1e-7 * np.array(
    [
        [
            1568,
            1465,
            1572,
            1785,
            1446,
            1903,
            1526,
            1494,
            1616,
            1587,
            1519,
            1486,
            1419,
            1569,
            1508,
            1672,
            1385,
            1518,
            1662,
            1424,
            1360,
            1333,
            1610,
            1477,
        ],
        [
            1079,
            1344,
            1513,
            1197,
            1604,
            1385,
            1642,
            1365,
            1151,
            1082,
            1517,
            1448,
            1198,
            1482,
            1334,
            1609,
            1101,
            1512,
            1469,
            1360,
            1254,
            1261,
            1450,
            1368,
        ],
    ]
)
CENTRES = (0.4, 0.3, 0.5, 0.3, 0.5, 0.3, 0.5, 0.3, 0.5)

# name: groups, certified mean squares between and within, relative tolerance. From the seventh set on the numbers
# themselves, 13 digits of which are constant, lie up to 6e-5 beside the intended ones.
CERTIFIED = {
    "SiRstv": (SIRSTV, 1.27865654e-02, 1.0831828e-02, 1e-9),
    "AtmWtAg": (ATMWTAG, 3.638341875e-09, 2.28155932971014e-10, 1e-6),
}


def smls(number: int) -> tuple[np.ndarray, float, float, float]:
    """Return set 1 to 9: values [shape=(treatment, replicate)], certified mean squares, relative tolerance."""
    base, replicates = 10.0 ** (6 * ((number - 1) // 3)), 2 * 10 ** (1 + (number - 1) % 3) + 1
    turn = np.where(np.arange(replicates) % 2, -0.1, 0.1)
    turn[0] = 0.0
    values = (base + np.array(CENTRES))[:, None] + turn
    return values, 0.01 * replicates, 0.01, 1e-9 if number <= 3 else 1e-8 if number <= 6 else 1e-3


SETS = {**CERTIFIED, **{f"SmLs{n:02d}": smls(n) for n in range(1, 10)}}
