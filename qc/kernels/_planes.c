/* Passes over the planes of a picture: what Python sees, and what all of them share. */
#include "planes.h"

int is_format(const Py_buffer *view, const char *allowed)
{
    const char *f = view->format;
    return f != NULL && f[0] != 0 && f[1] == 0 && strchr(allowed, f[0]) != NULL;
}

int plane_of(PyObject *from, Py_buffer *view, Plane *p)
{
    if (PyObject_GetBuffer(from, view, PyBUF_STRIDES | PyBUF_FORMAT) < 0)
        return -1;
    if (view->ndim != 2 || !is_format(view, "BH") ||
        (view->shape[1] > 1 && view->strides[1] != view->itemsize)) {
        PyBuffer_Release(view);
        PyErr_SetString(PyExc_ValueError,
                        "plane must be two-dimensional, 8 or 16 bits, its lines dense");
        return -1;
    }
    p->data = view->buf;
    p->height = view->shape[0];
    p->width = view->shape[1];
    p->stride = view->strides[0];
    p->wide = view->itemsize == 2;
    return 0;
}

/* Returns the whole numbers' count, or -1. */
Py_ssize_t numbers_of(PyObject *from, Py_buffer *view)
{
    if (PyObject_GetBuffer(from, view,
                           PyBUF_C_CONTIGUOUS | PyBUF_WRITABLE | PyBUF_FORMAT) < 0)
        return -1;
    if (is_format(view, "lq") && view->itemsize == 8)
        return view->len / 8;
    PyBuffer_Release(view);
    PyErr_SetString(PyExc_ValueError, "results want arrays of int64");
    return -1;
}

void let_go(Held *held)
{
    while (held->held > 0)
        PyBuffer_Release(&held->views[--held->held]);
}

PyObject *refuse(Held *held, const char *why)
{
    let_go(held);
    if (why != NULL)
        PyErr_SetString(PyExc_ValueError, why);
    return NULL;
}

int hold_plane(Held *held, PyObject *from, Plane *p)
{
    if (plane_of(from, &held->views[held->held], p) < 0)
        return -1;
    held->held++;
    return 0;
}

/* Returns where the int64 are if there are `count` of them, else NULL. */
int64_t *hold_numbers(Held *held, PyObject *from, Py_ssize_t count)
{
    Py_buffer *view = &held->views[held->held];
    Py_ssize_t have = numbers_of(from, view);
    if (have < 0)
        return NULL;
    held->held++;
    if (have == count)
        return view->buf;
    PyErr_SetString(PyExc_ValueError, "results do not fit");
    return NULL;
}

/* Returns where the doubles are if there are `count` of them, else NULL. */
double *hold_doubles(Held *held, PyObject *from, Py_ssize_t count, int written)
{
    Py_buffer *view = &held->views[held->held];
    int flags = PyBUF_C_CONTIGUOUS | PyBUF_FORMAT | (written ? PyBUF_WRITABLE : 0);
    if (PyObject_GetBuffer(from, view, flags) < 0)
        return NULL;
    held->held++;
    if (is_format(view, "d") && view->len == count * (Py_ssize_t)sizeof(double))
        return view->buf;
    PyErr_SetString(PyExc_ValueError, "patches want arrays of float64 that fit");
    return NULL;
}

/* Returns where `count` items of one of these formats are, else NULL. */
void *hold_items(Held *held, PyObject *from, Py_ssize_t count, const char *format,
                 int written)
{
    Py_buffer *view = &held->views[held->held];
    int flags = PyBUF_C_CONTIGUOUS | PyBUF_FORMAT | (written ? PyBUF_WRITABLE : 0);
    if (PyObject_GetBuffer(from, view, flags) < 0)
        return NULL;
    held->held++;
    if (is_format(view, format) && view->len == count * view->itemsize)
        return view->buf;
    PyErr_SetString(PyExc_ValueError, "arrays of another type or size are wanted");
    return NULL;
}

float *hold_floats(Held *held, PyObject *from, Py_ssize_t count, int written)
{
    return hold_items(held, from, count, "f", written);
}

uint8_t *hold_bytes(Held *held, PyObject *from, Py_ssize_t count, int written)
{
    return hold_items(held, from, count, "B?", written);
}

PyObject *done(Held *held)
{
    let_go(held);
    Py_RETURN_NONE;
}

static PyMethodDef methods[] = {
    {"luma_pass", luma_pass, METH_VARARGS,
     "luma_pass(plane, counts, sums, rows, columns, interlaced, small)\n"
     "Fill counts, sums (2, rows, columns) and small (or None)."},
    {"area_mean", area_mean, METH_VARARGS,
     "area_mean(plane, small)\nFill small with means."},
    {"quiet_blocks", quiet_blocks, METH_VARARGS,
     "quiet_blocks(plane, side, out)\nFill out (2, blocks): roughness, sum of codes."},
    {"quietest", quietest, METH_VARARGS,
     "quietest(plane, side, lines, tops, count, low, high, share)\n"
     "Return how many squares are usable, how many were taken, and their sum."},
    {"both_ways", both_ways, METH_VARARGS,
     "both_ways(plane, step, rows, columns, out)\n"
     "Fill out (2, rows, columns): squares of second differences along and down."},
    {"tile_moments", tile_moments, METH_VARARGS,
     "tile_moments(plane, rows, columns, out)\n"
     "Fill out (2, rows, columns): sums of codes and of their squares."},
    {"tile_contrast", tile_contrast, METH_VARARGS,
     "tile_contrast(plane, rows, columns, black, percent, share, dark, out)\n"
     "Fill out (rows, columns): spread within tiles and a share of their level."},
    {"tile_variance", tile_variance, METH_VARARGS,
     "tile_variance(n, count, total, squares, out)\n"
     "Fill out (n) with the variance of each tile; return that of the whole."},
    {"area_sums", area_sums, METH_VARARGS,
     "area_sums(plane, rows, columns, out)\nFill out (rows, columns): sums of codes."},
    {"scaled_codes", scaled_codes, METH_VARARGS,
     "scaled_codes(plane, zero, factor, out)\nFill out with (code - zero) * factor."},
    {"common_motion", common_motion, METH_VARARGS,
     "common_motion(n, felt, pull, worth, model_felt, weighing, model, out, scales,\n"
     "              lean)\n"
     "Correct out (4 + n): the motion, and how far each patch is from it."},
    {"smooth_small", smooth_small, METH_VARARGS,
     "smooth_small(picture, out, weights)\nFill out with a smooth picture."},
    {"patch_sums", patch_sums, METH_VARARGS,
     "patch_sums(picture, anchor, slope, out, side, top, left, across, down)\n"
     "Fill out (7, patches): what a picture, moved, is against its anchor."},
    {"weigh_patches", weigh_patches, METH_VARARGS,
     "weigh_patches(n, sums, facts, pull, felt, own, worth, unlike)\n"
     "Fill pull, felt, own (n, 2) and worth (n): what each patch tells."},
    {"first_vote", first_vote, METH_VARARGS,
     "first_vote(n, own, worth, rest, still, follows)\n"
     "Return voters, their median shift and spread, how many rest and follow it."},
    {"between", between, METH_VARARGS,
     "between(at, sigma, inverse)\nReturn weights of the pixels at -1, 0, 1, 2."},
    {"edge_steps", edge_steps, METH_VARARGS,
     "edge_steps(plane, scale, step, down, shift, bins, percent)\n"
     "Return the bins that so many of the first and second differences reach."},
    {"pair_sums", pair_sums, METH_VARARGS,
     "pair_sums(one, two, out)\nFill out (5, blocks) for squares of 16 pixels."},
    {"lag_sums", lag_sums, METH_VARARGS,
     "lag_sums(before, now, rows, factor, width, out)\nFill out (11, patches)."},
    {"across_sums", across_sums, METH_VARARGS,
     "across_sums(one, two, rows, factor, width, out)\nFill out (2, patches)."},
    {"copy_bands", copy_bands, METH_VARARGS,
     "copy_bands(plane, tops, count, rows, out)\nFill out (count, rows, width)."},
    {"channel_look", channel_look, METH_VARARGS,
     "channel_look(planes, mask, ends, bits, level, steps, n, counts, luma, codes,\n"
     "             every, area, area_step)\n"
     "Add to counts (4, n), luma (n, codes) and area (or None)."},
    {"channel_range", channel_range, METH_VARARGS,
     "channel_range(planes, ends, bits)\nReturn how many pixels are outside."},
    {"channel_places", channel_places, METH_VARARGS,
     "channel_places(planes, ends, bits, step, level, counts, bins, shift)\n"
     "Return how many places are at an end, and of how many."},
    {"light_cells", light_cells, METH_VARARGS,
     "light_cells(luma, rows, columns, down, across, out)\n"
     "Fill out (rows, columns) with means."},
    {"light_table", light_table, METH_VARARGS,
     "light_table(n, cells, table, steps, scale, out)\n"
     "Fill out (n) with what the table has at cells times scale."},
    {"light_level", light_level, METH_VARARGS,
     "light_level(anchor, cells, rows, columns, how)\n"
     "Return the common change and how many cells are brighter, or None."},
    {"light_strips", light_strips, METH_VARARGS,
     "light_strips(cells, strips, across, parts, steps, table, rises, low, high,\n"
     "             scale, fewest, least, look, before, out)\n"
     "Fill look, and out (strips, and parts of them) unless before is None."},
    {"light_lines", light_lines, METH_VARARGS,
     "light_lines(plane, first, step, lines, known)\n"
     "Put lines into lines; return how many pixels changed, and by what sum."},
    {"light_share", light_share, METH_VARARGS,
     "light_share(cells, n, place)\nReturn the cell of this rank."},
    {"most_apart", most_apart, METH_VARARGS,
     "most_apart(one, two)\nReturn the largest difference."},
    {"screen_light", screen_light, METH_VARARGS,
     "screen_light(luma, shape, cb, cr, size, table, last, numbers, red, out,\n"
     "             saturated)\n"
     "Fill out (5, n): R, G, B, luminance and, if any may be, redness."},
    {"place_turns", place_turns, METH_VARARGS,
     "place_turns(n, values, saturated, state, flags, when, least, times, watch)\n"
     "Return percent of places that rose and fell."},
    {"beyond_cross", beyond_cross, METH_VARARGS,
     "beyond_cross(plane, least, most, top, room, out)\n"
     "Fill out (2, 2, room): places and amounts of bright and dark; return counts."},
    {"fit_sums", fit_sums, METH_VARARGS,
     "fit_sums(n, terms, steps, laid, known, scale, out)\n"
     "Fill out (48): sums of the terms by each other, and by the steps."},
    {"shrunk_steps", shrunk_steps, METH_VARARGS,
     "shrunk_steps(plane, times, rows, columns, out)\n"
     "Fill out with means over areas of steps over two pixels along lines."},
    {"rim_sums", rim_sums, METH_VARARGS,
     "rim_sums(shape, moves, left, trust, slopes, clip, scale, out)\n"
     "Fill out (5, h, w): sums over pairs; trust and slopes may be None."},
    {"apply_rims", apply_rims, METH_VARARGS,
     "apply_rims(shape, g, around, sums, near, own, out)\n"
     "Fill out (h, w) with what the sums (3, h, w) make of g."},
    {"solved_rims", solved_rims, METH_VARARGS,
     "solved_rims(shape, sums, aim, near, own, steps, g)\n"
     "Go some steps of conjugate gradients; g and aim are written."},
    {"middles", middles, METH_VARARGS,
     "middles(n, m, stack, steps, out)\nFill out (m) with upper medians of n."},
    {"left_over", left_over, METH_VARARGS,
     "left_over(shape, maps, values, ways, sign, steps, out)\n"
     "Fill out with maps less values at places, or these alone if maps is None; the\n"
     "middle of all if there are steps."},
    {"shifted_ways", shifted_ways, METH_VARARGS,
     "shifted_ways(shape, values, ways, sign, out)\nFill out with values at places."},
    {"laid_pair", laid_pair, METH_VARARGS,
     "laid_pair(shape, old, new, old_back, new_back, most, noise, off, moves, left,\n"
     "          trust)\nFill moves, left and trust."},
    {"closed_rings", closed_rings, METH_VARARGS,
     "closed_rings(shape, margin, across, down, places, shares, out)\n"
     "Fill out (radii, h, w) with the least sure part of circles."},
    {"shot_look", shot_look, METH_VARARGS,
     "shot_look(codes, shape, margins, factor, flat, least, fine, coarse, middle)\n"
     "Fill all three; return 0 for a flat picture, 1 if its middle is, else 2."},
    {"shot_near", shot_near, METH_VARARGS,
     "shot_near(before, middle, shape, margins, out)\n"
     "Fill out (9) with correlations; return whether there are any."},
    {"stray_lines", stray_lines, METH_VARARGS,
     "stray_lines(now, before, size, recent, at, times, least, out)\n"
     "Fill out (n, lines); return the most, two sums, and bits of groups."},
    {"few_codes", few_codes, METH_VARARGS,
     "few_codes(one, two, size, zero, factor, out)\n"
     "Fill out (2, lines, columns) with codes of both planes."},
    {"half_light", half_light, METH_VARARGS,
     "half_light(picture, shape, foot, out)\nFill out (h / 2, w / 2)."},
    {"light_step", light_step, METH_VARARGS,
     "light_step(before, after, shape, every, smooth, changed, tops)\n"
     "Fill changed and tops, unless None; return the common change and all others."},
    {"sudden_places", sudden_places, METH_VARARGS,
     "sudden_places(now, before, after, shape, rim, own, times)\n"
     "Return how many places stand alone, and how many of them inside."},
    {"round_part", round_part, METH_VARARGS,
     "round_part(seen, shape, place, out)\n"
     "Fill out with the part that holds a place; return its size and box."},
    {"patch_looks", patch_looks, METH_VARARGS,
     "patch_looks(y, cb, cr)\nReturn six whole numbers of each plane: see PatchLook."},
    {"grid_colours", grid_colours, METH_VARARGS,
     "grid_colours(y, cb, cr, places, coding, rgb, luma)\nFill rgb (3, n) and luma."},
    {"band_tints", band_tints, METH_VARARGS,
     "band_tints(count, rgb, every, n, order, bands, edges, steps, table, scale, low,\n"
     "           top, few, share, out)\n"
     "Fill out (bands, 2) with medians of R/G and B/G, stops."},
    {"closed_stops", closed_stops, METH_VARARGS,
     "closed_stops(n, place, light, m, some, rebuilt, steps, log, inverse_steps,\n"
     "             inverse, numbers, out)\n"
     "Fill out (n): stops to close until luma is under the level."},
    {"pile_up", pile_up, METH_VARARGS,
     "pile_up(n, rgb, bins, piled, highest)\n"
     "Fill highest (n), and add it to piled (bins)."},
    {"near_burnt", near_burnt, METH_VARARGS,
     "near_burnt(n, rgb, luma, highest, many, log, steps, how, place, light, over,\n"
     "           warm)\n"
     "Return how many pixels are near what burns, -1 if too few do; fill the rest."},
    {"bright_maps", bright_maps, METH_VARARGS,
     "bright_maps(shape, rgb, luma, burnt, colour, tables, levels, maps, own, both)\n"
     "Fill maps, own and both: white, and dips; return how many cells are still warm."},
    {"bright_squares", bright_squares, METH_VARARGS,
     "bright_squares(shape, maps, n, at, many, sides, level, out)\n"
     "Fill out (many, maps, n) with what lies in squares about places."},
    {"bright_groups", bright_groups, METH_VARARGS,
     "bright_groups(cells, maps, number, groups, n, at, level, out)\n"
     "Fill out (maps, n) with what lies in the group of each place."},
    {"bright_blocks", bright_blocks, METH_VARARGS,
     "bright_blocks(plane, code, out)\n"
     "Fill out (bh, bw): how many pixels of blocks are at or above a code."},
    {NULL, NULL, 0, NULL},
};

static struct PyModuleDef_Slot slots[] = {{0, NULL}};

static struct PyModuleDef module = {
    PyModuleDef_HEAD_INIT, "_planes", "One pass over a plane.", 0, methods, slots,
    NULL, NULL, NULL,
};

PyMODINIT_FUNC PyInit__planes(void) { return PyModuleDef_Init(&module); }
