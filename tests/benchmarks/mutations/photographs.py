"""Walls from photographs, and meshes from other programs."""

from tests.benchmarks.mutations import Mutation

PHOTOS = "tests/workshop/test_wall_photos.py::test_"
MESHES = "tests/scene/test_meshes_given.py::test_"

MUTATIONS = (
    Mutation(
        "previz/workshop/photographs/rectify.py",
        "read_between(light, u - 0.5, v - 0.5, value)",
        "read_between(light, u, v, value)",
        "half a pixel of the wall",
        (PHOTOS + "what_shrinks_is_averaged_over_its_area",),
    ),
    Mutation(
        "previz/workshop/photographs/rectify.py",
        "nx = min(max(int(np.ceil(along)), 1), most)",
        "nx = 1",
        "texels that are the mean of what they take in",
        (PHOTOS + "what_shrinks_is_averaged_over_its_area",),
    ),
    Mutation(
        "previz/workshop/photographs/seen.py",
        "return grey.reflectance / level, said",
        "return level / grey.reflectance, said",
        "the wall's brightness by its grey card",
        (PHOTOS + "a_grey_card_that_tells_nothing_is_refused",),
    ),
    Mutation(
        "previz/scene/given/wallphoto.py",
        "GREY: Final = 0.18",
        "GREY: Final = 0.2",
        "reflectance of a grey card",
        (PHOTOS + "the_card_is_the_trades",),
    ),
    Mutation(
        "previz/workshop/photographs/blend.py",
        "np.median(other - one, axis=0)",
        "np.median(one - other, axis=0)",
        "levels of photographs that overlap",
        (PHOTOS + "levels_are_matched_as_worked_out_by_hand",),
    ),
    Mutation(
        "previz/workshop/photographs/blend.py",
        "np.clip(2 * rim_row[r, c] - r, 0, h - 1)",
        "np.clip(rim_row[r, c], 0, h - 1)",
        "what is mirrored in where no photograph is",
        (PHOTOS + "what_is_open_is_mirrored_in",),
    ),
    Mutation(
        "previz/workshop/photographs/plane.py",
        "worse = max(1.0, off / (2.0 * more)) if more > 0 else 1.0",
        "worse = 4.0",
        "how true a photograph is said to be",
        (PHOTOS + "the_stated_doubt_is_that_of_the_points",),
    ),
    Mutation(
        "previz/scene/given/photochecks.py",
        "lost = 1.0 - (wanted / shape if wider else shape / wanted)",
        "lost = 1.0 - (shape / wanted if wider else wanted / shape)",
        "how much of a plain photograph is cut off",
        (PHOTOS + "a_plain_photograph_of_another_shape_is_told_with_numbers",),
    ),
    Mutation(
        "previz/scene/given/measured.py",
        "return out * 1e-3",
        "return out * 1e-2",
        "a measured relief",
        (PHOTOS + "a_measured_relief",),
    ),
    Mutation(
        "previz/scene/foreign.py",
        '"z": ((1, 0, 0), (0, 0, 1), (0, -1, 0)),',
        '"z": ((1, 0, 0), (0, 0, 1), (0, 1, 0)),',
        "which way a mesh with z up stands",
        (MESHES + "units_axes_and_mirrors_are_understood[ply]",),
    ),
    Mutation(
        "previz/scene/foreign.py",
        "turn = turned(-given.turn, 0.0, 0.0)",
        "turn = turned(given.turn, 0.0, 0.0)",
        "which way a mesh is turned",
        (MESHES + "turned_and_moved",),
    ),
    Mutation(
        "previz/scene/given/understood.py",
        '_SIZES: Final = {"wall": (0.32, 4.5, 1.6)',
        '_SIZES: Final = {"wall": (0.32, 450.0, 1.6)',
        "walls that are inches and taken as metres",
        (MESHES + "a_wall_in_another_unit_is_never_taken_in_silence[off-in]",),
    ),
)
