"""Light baked into maps: lamps, cards, shadows, bounce and shine."""

from tests.benchmarks.mutations import Mutation

_NUMBERS = "tests/workshop/test_light_numbers.py::"
_LAMPS = "tests/workshop/test_light_lamps.py::"

_AMBIENT = (_NUMBERS + "test_ambient_light_is_kept_off_and_thrown_back",)
_LAMP = (_NUMBERS + "test_a_lamps_light_is_thrown_back_too_and_exposure_is_for_all_light",)
_CARD = (_NUMBERS + "test_a_bounce_card_throws_back_the_light_from_everywhere",)
_DIMMED = (_NUMBERS + "test_a_bridge_in_its_light_dims_a_card",)
_HALF = (_NUMBERS + "test_a_lamp_that_a_bridge_covers_by_half_gives_half",)
_ABOVE = (_NUMBERS + "test_shadow_falls_from_right_above_the_wall_as_from_near_the_lamp",)
_TWO = (_NUMBERS + "test_two_lamps_add_up_each_in_its_own_colour",)
_FACE = (_NUMBERS + "test_light_of_the_brightest_share_comes_from_the_whole_face",)
_RIM = "tests/workshop/test_light_rim.py::"
_BRINK = (_RIM + "test_open_sky_reaches_a_face_up_to_the_brink_and_a_floor_by_its_view_factor",)
_BOUNCE = "tests/stage/test_bounce.py::"
_SHEEN = (_NUMBERS + "test_sheen_is_the_paints_share_of_its_surroundings",)

MUTATIONS = (
    Mutation(
        "previz/workshop/light/bake.py",
        "around = from_around(found, _ambient(lighting), (sent[0]",
        "around = from_around(found, 0.0, (sent[0]",
        "light on the set: what ambient light is thrown back",
        _AMBIENT,
    ),
    Mutation(
        "previz/workshop/light/bake.py",
        "after.append(light * made.colour)",
        "after.append(light)",
        "light on the set: how much the bridge's colour throws on the wall",
        _AMBIENT,
    ),
    Mutation(
        "previz/workshop/light/bake.py",
        "return lighting.light.ambient > 0.0 or lighting.light.bounce",
        "return lighting.light.bounce",
        "light on the set: ambient light without bounce",
        _AMBIENT,
    ),
    Mutation(
        "previz/workshop/light/bake.py",
        "lit = [(on_wall, from_wall, wall), (on_bridge, from_bridge, made)]",
        "lit = [(on_wall, from_wall, wall), (0.0 * on_bridge, from_bridge, made)]",
        "light on the set: the lit bridge's bounce on the wall",
        _LAMP,
    ),
    Mutation(
        "previz/workshop/light/bake.py",
        "return float(sum(lamp.lux for lamp in lamps) + light.ambient)",
        "return float(sum(lamp.lux for lamp in lamps) or light.ambient)",
        "exposure: ambient light counts towards white",
        _LAMP,
    ),
    Mutation(
        "previz/workshop/light/bake.py",
        "if lighting.light.ambient > 0.0:\n        open_sky",
        "if False:\n        open_sky",
        "light on the set: a bounce card in ambient light",
        _CARD,
    ),
    Mutation(
        "previz/workshop/light/bake.py",
        "(light * colour.hex_linear(card.colour)).astype(np.float32)",
        "light.astype(np.float32)",
        "light on the set: a card's colour",
        _CARD,
    ),
    Mutation(
        "previz/workshop/light/bake.py",
        'tuple(card for card in self.cards if card.kind == "bounce")',
        "self.cards",
        "light on the set: a flag is no bounce card",
        (_NUMBERS + "test_a_flag_throws_nothing_back",),
    ),
    Mutation(
        "previz/workshop/light/bake.py",
        "levels = base.levels[:lamps] + tuple(levels_of(wall.texels, e) for e in emitters[lamps:])",
        "levels = base.levels",
        "light on the set: the bridge dims a card",
        _DIMMED,
    ),
    Mutation(
        "previz/workshop/light/bake.py",
        "return _emitters(lighting, caster, (WALL, BRIDGE), None)",
        "return _emitters(lighting, caster, (WALL,), None)",
        "shine: a dimmed card's picture in gloss paint",
        _DIMMED,
    ),
    Mutation(
        "previz/workshop/light/bake.py",
        "out += enlarged_on(made.surface, level * share[..., None], height, width)",
        "out += enlarged_on(made.surface, level, height, width)",
        "light on the set: shadows of lamps with a face",
        _HALF,
    ),
    Mutation(
        "previz/workshop/light/bake.py",
        "return np.asarray(self.wall / np.maximum(self.clean, 1e-6), dtype=np.float32)",
        "return np.asarray(self.clean / np.maximum(self.wall, 1e-6), dtype=np.float32)",
        "the shadow's picture",
        _HALF,
    ),
    Mutation(
        "previz/workshop/light/bake.py",
        "np.rint(share * np.float32(255.0))",
        "np.rint(share * np.float32(128.0))",
        "shine: how much of a lamp each place sees",
        _HALF,
    ),
    Mutation(
        "previz/workshop/light/bake.py",
        "dtype=np.float32)\n    for level, share in zip(levels, shares, strict=True):",
        "dtype=np.float32)\n    for level, share in list(zip(levels, shares, strict=True))[-1:]:",
        "light on the set: all lamps add up",
        _TWO,
    ),
    Mutation(
        "previz/stage/prepare.py",
        "return bake_bridge(base, bridge, sight, paint, before)",
        "return bake_bridge(base, bridge, sight, None, before)",
        "light on the set: the bridge's own paint lights the wall",
        (_BOUNCE + "test_the_wall_gets_what_that_paint_throws",),
    ),
    Mutation(
        "previz/stage/prepare.py",
        "return np.array([0.5 * (low[0] + high[0]), high[1] + 0.25 * away, away])",
        "return np.array([0.5 * (low[0] + high[0]), high[1] + away, away])",
        "light on the set: from where the paint that lights the wall is seen",
        (_BOUNCE + "test_a_lens_stands_twice_as_far_off_as_the_bridge_is_long",),
    ),
    Mutation(
        "previz/run/lightcache.py",
        '"continues": continues,',
        "",
        "light kept: wash is not paint that continues the wall",
        ("tests/run/test_light_cache.py::test_refused_after_any_change_of_light_or_set",),
    ),
    Mutation(
        "previz/workshop/texels.py",
        "_CREASE = np.pi / 3.0",
        "_CREASE = np.pi",
        "light on the set: the wall beside a brink faces the lens, not the doorway",
        (_RIM + "test_normals_beside_a_brink_are_those_of_the_faces",),
    ),
    Mutation(
        "previz/workshop/light/resample.py",
        "return float(near * min(",
        "return float(min(",
        "light on the set: no light runs across the brink of a doorway",
        _BRINK,
    ),
    Mutation(
        "previz/workshop/light/rays.py",
        "CLEARANCE = 3e-4",
        "CLEARANCE = 3e-3",
        "light on the set: shadows of what lies close to the wall",
        _ABOVE,
    ),
    Mutation(
        "previz/workshop/light/shadows.py",
        "reach[count] = length * np.float32(0.9999)",
        "reach[count] = length * np.float32(0.7)",
        "light on the set: shadows of what stands near the lamp",
        _ABOVE,
    ),
    Mutation(
        "previz/workshop/light/shadows.py",
        "return out\n\n\ndef _ask(",
        "return seen\n\n\ndef _ask(",
        "light on the set: the bridge's shadow",
        _ABOVE,
    ),
    Mutation(
        "previz/workshop/light/shadows.py",
        "if bits[i] & (np.uint64(1) << np.uint64(k)):",
        "if not bits[i] & (np.uint64(1) << np.uint64(k)):",
        "light on the set: the seen part of a face, not the hidden one",
        ("tests/workshop/test_light_numbers.py::test_of_a_face_covered_by_a_quarter_three_are_seen",),
    ),
    Mutation(
        "previz/workshop/light/lamps.py",
        "strength = lamp.lux / reference / max(at_aim, 1e-12)",
        "strength = lamp.lux / reference",
        "lux is what a lamp gives at its aim",
        _TWO,
    ),
    Mutation(
        "previz/workshop/light/lamps.py",
        "tint = np.asarray(colour.lamp_tint(lamp.kelvin, light.white_balance), dtype=np.float64)",
        "tint = np.asarray(colour.lamp_tint(light.white_balance, lamp.kelvin), dtype=np.float64)",
        "colour of a lamp under the white balance",
        _TWO,
    ),
    Mutation(
        "previz/workshop/light/lamps.py",
        "return self.size[0] * self.size[1] * (0.25 * math.pi if self.is_disc else 1.0)",
        "return self.size[0] * self.size[1]",
        "a disc's area",
        _FACE,
    ),
    Mutation(
        "previz/workshop/light/lamps.py",
        "return Emitter(card.name, frame, card.size, False, 1.0 / math.pi, np.ones(3), level=level)",
        "return Emitter(card.name, frame, card.size, False, 1.0, np.ones(3), level=level)",
        "light on the set: a card's radiance",
        (_LAMPS + "test_a_card_is_a_face_as_bright_as_its_light",),
    ),
    Mutation(
        "previz/workshop/light/lamps.py",
        "return s * s * (3.0 - 2.0 * s)",
        "return s",
        "a spot's soft edge",
        (_LAMPS + "test_a_spot_fades_over_its_edge",),
    ),
    Mutation(
        "previz/workshop/light/lamps.py",
        "beam = (half * (1.0 - lamp.edge), min(half * (1.0 + lamp.edge), math.pi))",
        "beam = (half, min(half * (1.0 + lamp.edge), math.pi))",
        "a spot's edge",
        (_LAMPS + "test_a_spot_fades_over_its_edge",),
    ),
    Mutation(
        "previz/workshop/light/lamps.py",
        "                value *= leaving / distance",
        "                value *= 1.0",
        "light of a face falls off with its own cosine",
        (_LAMPS + "test_disc_off_its_axis",),
    ),
    Mutation(
        "previz/workshop/light/bake.py",
        "if change < _SETTLED:",
        "if turn > 0:",
        "light on the set: how often it is thrown on",
        ("tests/workshop/test_light_bake.py::test_a_closed_room_keeps_its_light_until_the_walls_have_taken_it",),
    ),
    Mutation(
        "previz/workshop/light/bake.py",
        "(sent[0], sent[-1]), found.lattice.texels)",
        "(sent[0], sent[0]), found.lattice.texels)",
        "light on the set: what the bridge throws on, and the wall throws back",
        ("tests/workshop/test_light_bake.py::test_two_plates_throw_light_to_and_fro",),
    ),
    Mutation(
        "previz/workshop/light/gather.py",
        "elif surface[i, k] == 0:",
        "elif surface[i, k] == 1:",
        "light on the set: which surface throws the light",
        _AMBIENT,
    ),
    Mutation(
        "previz/workshop/light/gather.py",
        "(1.0 / (z + _LIFT)).astype(np.float32)",
        "np.ones_like(z).astype(np.float32)",
        "light on the set: how much flat rays weigh",
        _AMBIENT,
    ),
    Mutation(
        "previz/workshop/light/shine.py",
        "gloss.sheen(cosine, gloss.ROUGHNESS[kind])",
        "gloss.sheen(cosine, 0.5)",
        "shine: what paint mirrors of its surroundings",
        _SHEEN,
    ),
    Mutation(
        "previz/workshop/light/shine.py",
        "level = level * emitter.strength * emitter.tint",
        "level = level * emitter.strength",
        "shine: a lamp's colour in gloss paint",
        ("tests/workshop/test_shine.py::test_shine_of_a_map_is_its_parts",),
    ),
    Mutation(
        "previz/workshop/light/shine.py",
        "* share[texels.valid][:, None]",
        "* 1.0",
        "shine: a lamp that is hidden is not mirrored",
        ("tests/workshop/test_shine.py::test_shine_of_a_map_is_its_parts",),
    ),
    Mutation(
        "previz/workshop/light/shine.py",
        "k_out = math.pi * seen_out / (4.0 * cos_out)",
        "k_out = math.pi / (4.0 * cos_out)",
        "shine: what rough paint hides of itself",
        ("tests/workshop/test_shine.py::test_a_point_lamp_is_one_term",),
    ),
    Mutation(
        "previz/workshop/light/shine.py",
        "into += rest * gloss.transmitted(roughness)",
        "into += rest",
        "shine: how much light from all sides gets in under a coat",
        ("tests/workshop/test_shine.py::test_a_lamps_light_gets_in_less_the_flatter_it_strikes",),
    ),
    Mutation(
        "previz/workshop/light/roughmirror.py",
        "_ACROSS = 0.86",
        "_ACROSS = 0.4",
        "shine: how wide a streak satin paint mirrors",
        ("tests/workshop/test_rough_mirror.py::test_a_streak_is_as_long_and_as_wide_as_the_reflectance_function_says",),
    ),
    Mutation(
        "previz/workshop/light/roughmirror.py",
        "slope = roughness * share",
        "slope = 0.5 * roughness * share",
        "shine: how long a streak satin paint mirrors",
        ("tests/workshop/test_rough_mirror.py::test_a_streak_is_as_long_and_as_wide_as_the_reflectance_function_says",),
    ),
    Mutation(
        "previz/workshop/light/roughmirror.py",
        "aside = np.hypot(roughness, slope) * _aside",
        "aside = 0.5 * np.hypot(roughness, slope) * _aside",
        "shine: how wide a patch a satin wall mirrors",
        ("tests/workshop/test_rough_mirror.py::test_a_tile_of_patches_mirrors_as_the_reflectance_function_says",),
    ),
    Mutation(
        "previz/workshop/light/coat.py",
        "through.astype(np.float32), mirrored.astype(np.float32)",
        "through.astype(np.float32), 0.8 * mirrored.astype(np.float32)",
        "light: how much a coat mirrors on to what stands before it",
        ("tests/workshop/test_coat.py::test_a_floor_is_lit_by_the_sky_that_a_gloss_wall_mirrors",),
    ),
    Mutation(
        "previz/workshop/light/coat.py",
        "return float(gloss.transmitted(roughness) /",
        "return float(1.0 /",
        "light: how much gets in under a coat and is thrown on",
        ("tests/workshop/test_coat.py::test_what_a_coat_mirrors_is_taken_from_the_paint_under_it",),
    ),
)
