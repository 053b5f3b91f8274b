import numpy as np
from numpy.typing import NDArray

_Plane = NDArray[np.unsignedinteger]
_Planes = tuple[_Plane, _Plane, _Plane, int, int]

def luma_pass(
    plane: NDArray[np.unsignedinteger],
    counts: NDArray[np.int64],
    sums: NDArray[np.int64],
    rows: int,
    columns: int,
    interlaced: bool,
    small: NDArray[np.unsignedinteger] | None,
    /,
) -> None: ...
def area_mean(
    plane: NDArray[np.unsignedinteger], small: NDArray[np.unsignedinteger], /
) -> None: ...
def quiet_blocks(
    plane: NDArray[np.unsignedinteger], side: int, out: NDArray[np.int64], /
) -> None: ...
def quietest(
    plane: NDArray[np.unsignedinteger],
    side: int,
    lines: int,
    tops: NDArray[np.int64],
    count: int,
    low: float,
    high: float,
    share: float,
    /,
) -> tuple[int, int, int]: ...
def both_ways(
    plane: NDArray[np.unsignedinteger],
    step: int,
    rows: int,
    columns: int,
    out: NDArray[np.int64],
    /,
) -> None: ...
def tile_moments(
    plane: NDArray[np.unsignedinteger],
    rows: int,
    columns: int,
    out: NDArray[np.int64],
    /,
) -> None: ...
def tile_contrast(
    plane: NDArray[np.unsignedinteger],
    rows: int,
    columns: int,
    black: float,
    percent: float,
    share: float,
    dark: float,
    out: NDArray[np.float64],
    /,
) -> None: ...
def tile_variance(
    n: int,
    count: NDArray[np.float64],
    total: NDArray[np.float64],
    squares: NDArray[np.float64],
    out: NDArray[np.float64],
    /,
) -> float: ...
def area_sums(
    plane: NDArray[np.unsignedinteger],
    rows: int,
    columns: int,
    out: NDArray[np.int64],
    /,
) -> None: ...
def first_vote(
    n: int,
    own: NDArray[np.float64],
    worth: NDArray[np.float64],
    rest: tuple[float, float],
    still: float,
    follows: float,
    /,
) -> tuple[int, float, float, float, int, int]: ...
def between(
    at: float, sigma: float, inverse: NDArray[np.float64], /
) -> tuple[float, float, float, float]: ...
def light_table(
    n: int,
    cells: NDArray[np.float32],
    table: NDArray[np.float32],
    steps: int,
    scale: float,
    out: NDArray[np.float32],
    /,
) -> None: ...
def scaled_codes(
    plane: NDArray[np.unsignedinteger],
    zero: float,
    factor: float,
    out: NDArray[np.float32],
    /,
) -> None: ...
def common_motion(
    n: int,
    felt: NDArray[np.float64],
    pull: NDArray[np.float64],
    worth: NDArray[np.float64],
    model_felt: NDArray[np.float64],
    weighing: NDArray[np.float64],
    model: NDArray[np.float64],
    out: NDArray[np.float64],
    guess: tuple[float, float, float, float],
    scales: tuple[float, float],
    lean: tuple[float, float, float, float],
    /,
) -> None: ...
def smooth_small(
    picture: NDArray[np.float32],
    out: NDArray[np.float32],
    weights: tuple[float, float, float, float, float],
    /,
) -> None: ...
def patch_sums(
    picture: NDArray[np.float32],
    anchor: NDArray[np.float32],
    slope: NDArray[np.float64],
    out: NDArray[np.float64],
    side: int,
    top: int,
    left: int,
    across: tuple[float, float, float, float],
    down: tuple[float, float, float, float],
    /,
) -> None: ...
def weigh_patches(
    n: int,
    sums: NDArray[np.float64],
    facts: NDArray[np.float64],
    pull: NDArray[np.float64],
    felt: NDArray[np.float64],
    own: NDArray[np.float64],
    worth: NDArray[np.float64],
    unlike: float,
    /,
) -> None: ...
def edge_steps(
    plane: NDArray[np.unsignedinteger],
    scale: int,
    step: int,
    down: bool,
    shift: int,
    bins: int,
    percent: float,
    /,
) -> tuple[int, int]: ...
def pair_sums(
    one: NDArray[np.unsignedinteger],
    two: NDArray[np.unsignedinteger],
    out: NDArray[np.int64],
    /,
) -> None: ...
def copy_bands(
    plane: NDArray[np.unsignedinteger],
    tops: NDArray[np.int64],
    count: int,
    rows: int,
    out: NDArray[np.unsignedinteger],
    /,
) -> None: ...
def lag_sums(
    before: NDArray[np.unsignedinteger],
    now: NDArray[np.unsignedinteger],
    rows: int,
    factor: int,
    width: int,
    out: NDArray[np.int64],
    /,
) -> None: ...
def across_sums(
    one: NDArray[np.unsignedinteger],
    two: NDArray[np.unsignedinteger],
    rows: int,
    factor: int,
    width: int,
    out: NDArray[np.int64],
    /,
) -> None: ...
def channel_look(
    planes: _Planes,
    mask: NDArray[np.uint8] | None,
    ends: NDArray[np.int64],
    bits: int,
    level: int,
    steps: NDArray[np.int64],
    n: int,
    counts: NDArray[np.int64],
    luma: NDArray[np.int64],
    codes: int,
    every: int,
    area: NDArray[np.unsignedinteger] | None,
    area_step: int,
    /,
) -> None: ...
def channel_range(planes: _Planes, ends: NDArray[np.int64], bits: int, /) -> int: ...
def channel_places(
    planes: _Planes,
    ends: NDArray[np.int64],
    bits: int,
    steps: tuple[int, int],
    level: int,
    counts: NDArray[np.int64] | None,
    bins: int,
    shift: int,
    /,
) -> tuple[int, int]: ...
def light_cells(
    luma: NDArray[np.float32],
    rows: int,
    columns: int,
    down: int,
    across: int,
    out: NDArray[np.float32],
    /,
) -> None: ...
def light_level(
    anchor: NDArray[np.float32],
    cells: NDArray[np.float32],
    rows: int,
    columns: int,
    how: tuple[float, ...],
    /,
) -> tuple[float, int] | None: ...
def light_strips(
    cells: NDArray[np.float32],
    strips: int,
    across: int,
    parts: int,
    steps: int,
    table: NDArray[np.float32],
    rises: NDArray[np.float32],
    low: float,
    high: float,
    scale: float,
    fewest: int,
    least: float,
    look: NDArray[np.float32],
    before: NDArray[np.float32] | None,
    out: NDArray[np.float32],
    /,
) -> None: ...
def light_lines(
    plane: NDArray[np.unsignedinteger],
    first: int,
    step: int,
    lines: NDArray[np.unsignedinteger],
    known: bool,
    /,
) -> tuple[int, int]: ...
def screen_light(
    luma: NDArray[np.float32],
    shape: tuple[int, int],
    cb: NDArray[np.unsignedinteger],
    cr: NDArray[np.unsignedinteger],
    size: tuple[int, int],
    table: NDArray[np.float32],
    last: int,
    numbers: NDArray[np.float32],
    red: bool,
    out: NDArray[np.float32],
    saturated: NDArray[np.bool_],
    /,
) -> tuple[int, int]: ...
def place_turns(
    n: int,
    values: NDArray[np.float32],
    saturated: NDArray[np.bool_] | None,
    state: NDArray[np.float32],
    flags: NDArray[np.bool_],
    when: NDArray[np.float64],
    least: tuple[float, float, float],
    times: tuple[float, float, float],
    watch: bool,
    /,
) -> tuple[float, float]: ...
def beyond_cross(
    plane: NDArray[np.unsignedinteger],
    least: int,
    most: int,
    top: int,
    room: int,
    out: NDArray[np.int64],
    /,
) -> tuple[int, int]: ...
def fit_sums(
    n: int,
    terms: NDArray[np.float64],
    steps: NDArray[np.float64],
    laid: NDArray[np.float64],
    known: NDArray[np.bool_],
    scale: float,
    out: NDArray[np.float64],
    /,
) -> None: ...
def shrunk_steps(
    plane: NDArray[np.unsignedinteger],
    times: int,
    rows: int,
    columns: int,
    out: NDArray[np.unsignedinteger],
    /,
) -> None: ...
def rim_sums(
    shape: tuple[int, int, int],
    moves: NDArray[np.float32],
    left: NDArray[np.float32],
    trust: NDArray[np.float32] | None,
    slopes: NDArray[np.float32] | None,
    clip: float,
    scale: float,
    out: NDArray[np.float32],
    /,
) -> None: ...
def apply_rims(
    shape: tuple[int, int],
    g: NDArray[np.float32],
    around: NDArray[np.float32],
    sums: NDArray[np.float32],
    near: float,
    own: float,
    out: NDArray[np.float32],
    /,
) -> None: ...
def solved_rims(
    shape: tuple[int, ...],
    sums: NDArray[np.float32],
    aim: NDArray[np.float32],
    near: float,
    own: float,
    steps: int,
    g: NDArray[np.float32],
    /,
) -> None: ...
def middles(
    n: int,
    m: int,
    stack: NDArray[np.floating],
    steps: NDArray[np.int64],
    out: NDArray[np.float32],
    /,
) -> None: ...
def left_over(
    shape: tuple[int, ...],
    maps: NDArray[np.float32] | None,
    values: NDArray[np.float32],
    ways: NDArray[np.float32],
    sign: float,
    steps: NDArray[np.int64] | None,
    out: NDArray[np.float32],
    /,
) -> None: ...
def shifted_ways(
    shape: tuple[int, ...],
    values: NDArray[np.float32],
    ways: NDArray[np.float32],
    sign: float,
    out: NDArray[np.float32],
    /,
) -> None: ...
def laid_pair(
    shape: tuple[int, ...],
    old: NDArray[np.float32],
    new: NDArray[np.float32],
    old_back: NDArray[np.float32],
    new_back: NDArray[np.float32],
    most: float,
    noise: float,
    off: float,
    moves: NDArray[np.float32],
    left: NDArray[np.float32],
    trust: NDArray[np.float32],
    /,
) -> None: ...
def closed_rings(
    shape: tuple[int, int, int, int],
    margin: int,
    across: NDArray[np.float32],
    down: NDArray[np.float32],
    places: NDArray[np.int64],
    shares: NDArray[np.float32],
    out: NDArray[np.float32],
    /,
) -> None: ...
def light_share(cells: NDArray[np.float32], n: int, place: int, /) -> float: ...
def most_apart(
    one: NDArray[np.unsignedinteger], two: NDArray[np.unsignedinteger], /
) -> int: ...
def shot_look(
    codes: NDArray[np.unsignedinteger],
    shape: tuple[int, int],
    margins: tuple[int, int],
    factor: float,
    flat: float,
    least: float,
    fine: NDArray[np.float32],
    coarse: NDArray[np.float32],
    middle: NDArray[np.float32],
    /,
) -> int: ...
def shot_near(
    before: NDArray[np.float32],
    middle: NDArray[np.float32],
    shape: tuple[int, ...],
    margins: tuple[int, int],
    out: NDArray[np.float64],
    /,
) -> bool: ...
def stray_lines(
    now: NDArray[np.float32],
    before: tuple[NDArray[np.float32], ...],
    size: tuple[int, int, int],
    recent: NDArray[np.float32],
    at: int,
    times: float,
    least: float,
    out: NDArray[np.float32],
    /,
) -> tuple[float, float, float, int]: ...
def few_codes(
    one: NDArray[np.unsignedinteger],
    two: NDArray[np.unsignedinteger],
    size: tuple[int, int],
    zero: float,
    factor: float,
    out: NDArray[np.float32],
    /,
) -> None: ...
def half_light(
    picture: NDArray[np.float32],
    shape: tuple[int, ...],
    foot: float,
    out: NDArray[np.float32],
    /,
) -> None: ...
def light_step(
    before: NDArray[np.float32],
    after: NDArray[np.float32],
    shape: tuple[int, ...],
    every: int,
    smooth: tuple[float, float],
    changed: NDArray[np.float32] | None,
    tops: NDArray[np.float32] | None,
    /,
) -> tuple[float, float]: ...
def sudden_places(
    now: NDArray[np.float32],
    before: NDArray[np.float32],
    after: NDArray[np.float32],
    shape: tuple[int, ...],
    rim: int,
    own: float,
    times: float,
    /,
) -> tuple[int, int]: ...
def round_part(
    seen: NDArray[np.bool_],
    shape: tuple[int, int],
    place: tuple[int, int],
    out: NDArray[np.bool_],
    /,
) -> tuple[int, int, int, int, int]: ...
def patch_looks(
    y: _Plane, cb: _Plane, cr: _Plane, /
) -> tuple[tuple[int, int, int, int, int, int], ...]: ...
def grid_colours(
    y: _Plane,
    cb: _Plane,
    cr: _Plane,
    places: tuple[int, int, int],
    coding: tuple[float, ...],
    rgb: NDArray[np.float32],
    luma: NDArray[np.float32],
    /,
) -> None: ...
def band_tints(
    count: int,
    rgb: NDArray[np.float32],
    every: int,
    n: int,
    order: NDArray[np.intp],
    bands: int,
    edges: NDArray[np.int64],
    steps: int,
    table: NDArray[np.float32],
    scale: float,
    low: float,
    top: float,
    few: float,
    share: float,
    out: NDArray[np.float64],
    /,
) -> None: ...
def closed_stops(
    n: int,
    place: NDArray[np.intp],
    light: NDArray[np.float32],
    m: int,
    some: NDArray[np.intp],
    rebuilt: NDArray[np.float32],
    steps: int,
    log: NDArray[np.float32],
    inverse_steps: int,
    inverse: NDArray[np.float32],
    numbers: tuple[float, ...],
    out: NDArray[np.float32],
    /,
) -> None: ...
def bright_maps(
    shape: tuple[int, int],
    rgb: NDArray[np.float32],
    luma: NDArray[np.float32],
    burnt: NDArray[np.float32],
    colour: NDArray[np.float32],
    tables: NDArray[np.float32],
    levels: tuple[float, ...],
    maps: NDArray[np.float32],
    own: NDArray[np.float32],
    both: NDArray[np.float32],
    /,
) -> int: ...
def bright_squares(
    shape: tuple[int, int],
    maps: NDArray[np.float32],
    n: int,
    at: NDArray[np.intp],
    many: int,
    sides: NDArray[np.int64],
    level: float,
    out: NDArray[np.float32],
    /,
) -> None: ...
def bright_groups(
    cells: int,
    maps: NDArray[np.float32],
    number: int,
    groups: NDArray[np.int32],
    n: int,
    at: NDArray[np.intp],
    level: float,
    out: NDArray[np.float32],
    /,
) -> None: ...
def bright_blocks(plane: _Plane, code: int, out: NDArray[np.uint8], /) -> None: ...
def pile_up(
    n: int,
    rgb: NDArray[np.float32],
    bins: int,
    piled: NDArray[np.int64],
    highest: NDArray[np.float32],
    /,
) -> None: ...
def near_burnt(
    n: int,
    rgb: NDArray[np.float32],
    luma: NDArray[np.float32],
    highest: NDArray[np.float32],
    many: int,
    log: NDArray[np.float32],
    steps: float,
    how: tuple[float, ...],
    place: NDArray[np.intp],
    light: NDArray[np.float32],
    over: NDArray[np.float32],
    warm: NDArray[np.bool_],
    /,
) -> int: ...
