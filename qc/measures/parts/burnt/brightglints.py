"""What a wet glint is told by: a table for `brightpeaks`.

Written by `tests/bench/fit_glints.py`. Of each feature its name, mean and spread;
below, its weight in each hidden unit, in hundredths.
"""

TABLE = """
most: 0.0542 0.0386
8 7 -23 -6 11 32 0 -7 13 10 1 -35
least: -0.0907 0.1601
-2 -8 20 27 -1 -5 0 -7 -1 -9 1 9
high: 0.0702 0.0387
0 8 -21 -5 3 16 0 -5 2 13 1 -35
low: -0.2601 0.2153
-2 -21 -10 36 3 8 0 -23 3 18 20 -10
body: -0.0089 0.1167
3 4 21 1 0 -4 0 3 1 -21 -9 9
body wide: 0.0078 0.1062
2 2 13 -7 3 -11 0 2 3 -17 -8 5
count: 0.6129 0.3659
8 16 16 3 1 5 0 12 3 -24 -3 0
count near: 0.5210 0.3331
2 28 24 7 -6 4 0 21 -6 -15 -2 -1
burnt 5: 0.4584 0.3225
-5 26 23 6 -8 -15 0 19 -9 0 -4 -4
red: 0.1092 0.1086
5 4 -29 -25 10 17 0 1 12 9 -47 7
blue: -0.0793 0.1072
11 3 -6 3 24 14 0 2 27 -4 5 -6
burnt 17: 0.3287 0.2699
-12 18 17 0 -8 -37 0 17 -12 19 1 -2
spread: 0.1927 0.1410
-12 11 11 0 -19 -14 0 9 -22 22 -20 13
size: -7.2875 4.2848
-15 18 13 -4 -7 -61 0 18 -10 14 1 -5
room: 0.0780 0.0400
-3 11 18 5 -3 -12 0 14 -4 -10 9 14
burnt in all: 0.1812 0.1896
-6 2 0 -7 -3 -25 0 7 -6 3 2 6
"""
# Each hidden unit's constant and its weight in the merit, in hundredths.
HIDDEN = """
-12 59 199 27 18 -4 -2 79 11 43 7 17
"""
OUT = """
29 -56 -76 -53 37 90 0 -50 44 58 -57 -57
"""
CONSTANT = -0.334
