"""The scene file that ``previz new`` writes: complete, commented, and ready to be shot as it is."""

from __future__ import annotations

from previz.scene.model import WALL_KINDS_TEXT

_TEXT = '''\
#:schema ./scene.schema.json
# The line above lets a text editor complete and check this file: write the schema beside it once with
#     previz schema > scene.schema.json
# It is a comment: everything works without it.
#
# Lengths, angles, stops, times and percentages are text with their unit:
#     "62 mm"  "1.8 m"  "2 ft 3 1/2 in"      "-8 deg"      "f/22"      "1/50 s"      "10%"
# Lengths of things run from 0.1 mm to 100 m; places along an axis from -100 m to 100 m.
# Axes: right along the wall, up, out of the wall towards the camera. They start on the wall's plane, under the
# middle of the doorway, level with the bridge's top. All is at miniature size except [plate].
# A line that begins with "# " and a key shows a choice that is not taken: remove the # to take it.

title = @TITLE@              # name of the shot, up to 120 characters
scale = "1:20"               # how much smaller than life the set is, 1:1 to 1:1000
# date = 2025-03-14          # for the title blocks; if left out, the date of this file

[delivery]
frame = [1920, 1080]         # width and height in pixels, 16 to 16384 each
rate = 25                    # frames a second, 1 to 1000: 25, 23.976 or "24000/1001"
# bars = 2.39                # width / height of the picture inside the frame, 0.2 to 10

[wall]
kind = "slate"               # @KINDS@; instead of kind, one of the next two
# mesh = "wall.glb"          # a modelled wall in metres, axes as above: glb, obj, ply, stl, off; or, of any program,
# mesh = { file = "wall.stl", units = "mm", up = "z", turn = "0 deg", mirror = false, move = ["0 mm", "0 mm", "0 mm"] }
#                            # units m, cm, mm, in or ft; up the axis y, z, x, -y, -z or -x; turned about the vertical,
#                            # left and right swapped, moved right, up, out: "previz check" says what was understood
# photo = "wall.jpg"         # a straight-on photograph of a flat painted wall; or one or several taken at an angle,
# photo = [{ file = "a.jpg", points = [{ px = [41, 31], at = ["-35 cm", "12 cm"] }] }]
#                            # four or more points, px right and down, at right and up on the wall; or, instead,
#                            # sheets = { left = ["-35 cm", "12 cm"] }: of "previz markers", stuck flat on the wall,
#                            # the middle cross of left, right = [...], floor = [...] or card = [...];
#                            # grey = { box = [9, 9, 60, 40], reflectance = 0.18 }: of a card, left, top, width, height;
#                            # what is no wall, leave_out = [[0, 0, 80, 60]]; and of the lens, if that is known,
#                            # distortion = -0.05, with lens = "26 mm" as for a 36 mm wide frame
width = "1.8 m"
height = "2.2 m"             # foot to crest
top = "800 mm"               # how much of the height lies above the bridge's top
sideways = "0 mm"            # how far its middle and its doorway lie to camera right of the bridge's middle
relief = "40 mm"             # full depth of carving, 0 mm for none; of a photograph a grid of measured heights, by
# relief = { file = "heights.csv" }  # a CSV in mm, a row a line from the top; or a picture, of which black lies at
# relief = { file = "heights.png", low = "-10 mm", high = "25 mm" }  # low and white at high
seed = 7                     # another whole number from 0 makes another wall of the kind
turn = "0 deg"               # its pattern turned, clockwise as the lens sees it: beds that dip otherwise
# the opening the bridge starts in; leave it out for none. Its sill is the bridge's top, or lies so far above it
doorway = { width = "60 mm", height = "110 mm", depth = "50 mm", sill = "0 mm" }
triangles = 200000           # how finely the wall is made, 200 to 1000000
texture_px = 2048            # side of its paint picture in pixels, 64 to 8192
gloss = "matt"               # how its paint shines: matt, satin or gloss

[bridge]
length = "700 mm"            # from the sill towards the camera, less than to the lens
width = "50 mm"              # at the sill
thickness = "12 mm"
taper = 1.0                  # near width / far width, 0.05 to 20
camber = "0 mm"              # how far the middle of the length rises
bend = "0 mm"                # how far the near end swings to camera right
colour = "#c8b08a"           # the bare material, red green blue
paint = "projected"          # bare, wash, projected or solved
gloss = "matt"               # how its paint shines: matt, satin or gloss
# image = "bridge.png"       # a picture laid over the bridge instead of paint
# mesh = "bridge.glb"        # a modelled bridge, as above or { file = ... }; leave out length to bend and image then

[camera]
sensor = "35.9 x 24.0 mm"    # width x height
lens = "35 mm"               # focal length
stop = "f/22"                # f/0.5 to f/1000
focus = "800 mm"             # from the entrance pupil, beyond the focal length; if left out, all is sharp
position = ["0 mm", "160 mm", "1250 mm"]  # entrance pupil (not the sensor) at the station frame: right, up, out
tilt = "-8 deg"              # up is positive, -90 to 90
pan = "0 deg"                # to camera right is positive, -360 to 360
roll = "0 deg"               # clockwise for the operator is positive, -360 to 360
shift = ["0 mm", "0 mm"]     # lens against sensor: right, up
pupil_from_mount = "0 mm"    # entrance pupil ahead of the lens mount
# mount_from_sensor = "44 mm"  # lens mount ahead of the sensor mark: rig tells focus by tape from there
lens_diameter = "70 mm"      # outside of the barrel
shutter = "1/50 s"           # exposure of one frame; if left out, half of its time
# rate = 50                  # frames a second that are shot; if left out, those that are delivered
iso = 5000                   # sensitivity, 1 to 10000000
blur_limit = "0.03 mm"       # largest circle of confusion that counts as sharp, 0.001 mm to 1 mm
pupil_ratio = 1              # exit pupil / entrance pupil, 0.1 to 10

[rail]
along = [1, 0, 0]            # direction of travel: right, up, out; or "arc", sideways along a curve
# radius = "1.5 m"           # for a curve: positive about a point ahead of the lens, negative about one behind
travel = "120 mm"            # length of the move
frames = 100                 # delivered frames of the whole shot, 1 to 100000; the first has the number 1001
ease = "10%"                 # share of the slide's frames for starting and again for stopping, 0% to 50%
stand = 0                    # frames of them that the camera stands before the slide, from 0
stand_after = 0              # and after it
# pauses = [{ at = "40 mm", frames = 10 }]  # where the slide stands on its way: travel from its start, how long
pan = "0 deg"                # turned over the slide, about the entrance pupil: no parallax; -180 to 180
tilt = "0 deg"               # the same up or down; at the station frame the angles are those of [camera]
# pan_ease = "20%"           # easing of the pan and of the tilt; if left out, the slide's
# tilt_ease = "20%"
hold = [1001, 1040]          # first and last frame on which the bridge must not be seen
reveal = 1090                # frame by which it must be seen, after the hold
station = 1020               # frame at which the lens is at camera.position; if left out, the middle of the hold
aim = "parallel"             # parallel, track (turns with an arc), or a point that stays in place in the picture

[light]
ambient = 50                 # lux from everywhere, from 0
white_balance = 5600         # of the camera, in kelvin, 1500 to 25000
bounce = true                # whether wall and bridge light each other
mains = 50                   # Hz, 50 or 60
volts = 230                  # of the mains, 12 to 1000
circuit = 16                 # amperes that one circuit is fused for

[[lamp]]                     # one such table for each lamp
name = "key"                 # no two alike
position = ["-800 mm", "700 mm", "1500 mm"]  # middle of the lamp's face: right, up, out
aim = ["0 mm", "0 mm", "0 mm"]               # the point it is turned to
size = "300 mm"              # its face: a diameter, or "600 x 900 mm" (wide x high); 0 mm for a point
lux = 1200                   # what it gives at its aim, face on; above 0
kelvin = 5600                # colour temperature, 1500 to 25000
watts = 200                  # what it takes from the mains; if left out, it is not counted

[[lamp]]
name = "fill"
position = ["1100 mm", "400 mm", "1600 mm"]
size = "600 mm"
lux = 400
# cone = "30 deg"            # full angle of a spot's beam, where half of its light is left
# edge = "20%"               # share of the cone over which the beam fades

# [[at_hand]]                # lamps that "previz rig --lamps" may place; the ones above where there are none
# name = "panel"             # no two alike
# kind = "led"               # led, fluorescent, discharge or tungsten
# size = "600 x 600 mm"      # its face; 0 mm for a point
# beam = "110 deg"           # full angle at which half of its light is left; if left out, it shines all over
# edge = "20%"               # share of the beam over which it fades
# watts = 100                # what it takes from the mains at full; not counted if left out
# lux = 2400                 # on its axis at 1 m, by its data sheet; worked out from watts if left out
# kelvin = 5600              # 3200 for tungsten and 5600 for others if left out
# dims = true                # whether it has a dimmer
# count = 2                  # how many there are, 1 to 12

# [[card]]                   # one such table for each card on a stand; it is not in the picture
# name = "white card"        # no two alike
# kind = "bounce"            # "bounce" sends light back, "flag" keeps it off
# position = ["600 mm", "-300 mm", "900 mm"]
# aim = ["0 mm", "0 mm", "300 mm"]             # the point that its face is turned to
# size = "600 x 400 mm"      # wide x high
# colour = "#f2f2f2"         # of a bounce card, #rrggbb

[plate]                      # the performer, shot separately; lengths at full size
# figure = "figure.png"      # cut-out with alpha, or a folder of numbered frames
height = "1.75 m"            # the performer
camera = { lens = "35 mm", height = "1.6 m", distance = "9 m", tilt = "-8 deg", travel = "2.4 m" }
foot_mark = "400 mm"         # where the feet are: from the sill along the bridge, miniature size
# a performer who walks, as numbered frames: where they are at delivered frames, evenly between; and when a foot is
# down, and where (found in the frames if left out)
# foot_mark = [{ frame = 1001, at = "250 mm" }, { frame = 1090, at = "430 mm" }]
# steps = [{ frames = [1001, 1012], at = "250 mm", foot = "left" }]   # left or right in the picture
# feet = [512, 1980]         # the feet in the cut-out's picture, pixels right and down; found if left out
# rate = 25                  # the plate's frames a second; if left out, those that are delivered
crop = "100%"                # how much of the plate's width is used
# still = "plate.jpg"        # a still of the plate, for the colour match with
# miniature = "set.jpg"      # a photograph of the miniature, or with a drawn frame if this is left out
match = "log"                # what the match works in: "log" (ACEScct) or "linear" (Rec.709 light)
# boxes that show the same thing, left top right bottom in pixels; the colour match then goes by them alone:
# patches = [{ plate = [820, 400, 900, 460], miniature = [610, 330, 680, 380] }]
# wanted = "move.csv"        # the rail position wanted at each delivered frame; if left out, that of [rail]
# take = "take.csv"          # the rail position measured at each frame of a take, for the retime
back = false                 # true: the move is played out and back
drift_px = 0                 # how far the picture drifts up inside the bars over the move, delivered pixels
# [plate.marks]              # to work the plate's camera out from: feet and head, and the horizon or two edges
# picture = "plate.jpg"      # the still in which they were measured, in its pixels, right and down
# feet = [960, 812]
# head = [958, 310]
# horizon = [[0, 402], [1920, 398]]
# edges = [[[0, 900], [700, 640]], [[1920, 900], [1200, 640]]]   # two edges that are parallel on the floor
# poles = [{ foot = [300, 700], top = [301, 420], height = "2 m" }]   # uprights of known height on the same floor
# noise_px = 1               # how far a mark may be off

[search]                     # what "previz search" may change: lowest and highest value; the rest stays as it is
height = ["130 mm", "200 mm"]    # lens above the bridge's top
distance = ["1.1 m", "1.4 m"]    # lens to the wall
tilt = ["-10 deg", "-6 deg"]
# lateral = ["-40 mm", "40 mm"]  # lens to camera right of the bridge's middle
# pan = ["-3 deg", "3 deg"]      # set before the slide, about the entrance pupil: costs no parallax
# lens = ["28 mm", "50 mm"]      # focal length of a zoom; or, instead,
# lenses = ["28 mm", "35 mm", "50 mm"]  # the lenses at hand
# distance_with_lens = ["1.1 m", "2 m"] # instead of distance and lens: the bridge keeps its size in the picture
# rail_angle = ["-5 deg", "20 deg"]     # 0 is along the wall, positive leads away from it
# rail_length = ["80 mm", "300 mm"]     # length of the move
# rail_pan = ["-2 deg", "2 deg"]        # pan over the slide, about the entrance pupil
# stand = [0, 40]                # frames that the camera stands before it slides
# slide = [40, 60]               # frames that the slide takes; what is left of the shot is stood at its end
# station = [1001, 1040]         # frame at which the lens is on the station point
# bridge_length = ["600 mm", "800 mm"]
# bridge_width = ["40 mm", "60 mm"]     # at the sill
# bridge_taper = [0.8, 1.2]      # near width / far width
# bridge_height = ["8 mm", "16 mm"]     # thickness
# wall = ["kept", "free"]    # whether the wall is painted over in bands along the slide, by wall_change of [paint]
# wall_turn = ["-30 deg", "30 deg"]     # how far the pattern of the wall's kind is turned
least_reveal = "60%"         # least break at the reveal; among those, the longest hold wins
longest_rail = "1 m"         # the studio to fit: what the rail at hand allows,
closest_focus = "300 mm"     # the nearest that the bridge may come to the entrance pupil,
view_margin = "20 mm"        # how far the wall must reach beyond the picture,
# floor = "-1.2 m"           # the floor above the bridge's top; if left out, the wall's foot
body = ["150 mm", "130 mm", "200 mm"]  # the camera behind the lens mount: wide, high, deep
lens_front = "40 mm"         # front of the lens ahead of its entrance pupil
budget = 600                 # candidates to try, 10 to 10000000
finalists = 10               # how many of the best are drawn and judged as "previz score" does, 1 to 100
seed = 1                     # another whole number from 0 makes another search

# [[search.lamp]]            # lamps that may be moved or dimmed, and cards that may be moved, by their names
# name = "key"
# x = ["-200 mm", "200 mm"]  # bounds of its place: right,
# y = ["900 mm", "1.3 m"]    # up,
# z = ["1.5 m", "2.5 m"]     # out of the wall;
# size = ["300 mm", "900 mm"]    # of its face: the diameter, or the longer side
# lux = [100, 1000]          # and of what it gives at its aim

# [[search.card]]
# name = "fill card"
# x = ["-600 mm", "0 mm"]
# size = ["300 mm", "600 mm"]    # its longer side

[knock]                      # what build and rig are true to, for "previz knock": plus and minus
shift = "1 mm"               # the lens's place
turn = "0.2 deg"             # pan, tilt and roll
focal = "0.5%"               # focal length
paint = "0.5 mm"             # paint on the bridge,
paint_turn = "0.1 deg"       # and how it is turned there
hung = "0.5 mm"              # the bridge's own place,
hung_turn = "0.1 deg"        # and how it is turned at its joint with the wall
colour = 2                   # the largest error of a mixed colour, dE*ab; 0 to 50
brush = "2 mm"               # the brush that the bridge is painted with
lamp = "20 mm"               # each lamp's place,
lamp_level = "5%"            # and its brightness
samples = 400                # builds that are tried, 10 to 1000000
seed = 1                     # another whole number from 0 makes other builds

[paint]                      # how the bridge is painted and cut, for "previz paint"
# brush = "3 mm"             # the finest brush: nothing finer is asked for
# palette = 12               # mixed paints, 1 to 64; if left out, as many as it takes
wall = "kept"                # "free": the wall is painted over too, where the bridge sweeps past it
wall_change = 8              # by no more than this, dE*ab, about
material = "board"           # "board" is cut in panels and glued, "card" scored and folded
sheet = "3 mm"               # how thick that is; card below 1.5 mm

[markers]                    # printed sheets that tell where the real camera is: "previz markers", "previz lineup"
tag = "60 mm"                # side of a marker, 15 mm to 60 mm
paper = "a4"                 # a4 or letter
placed = "0.5 mm"            # how true a sheet's place is known (one standard deviation)
# first = 0                  # number of the first marker, 0 to 539; if left out, made from the title
# distortion = -0.05         # radial distortion k1 of the lens, from "previz lineup --lens-check"; -1 to 1
# Without any of the next four, a sheet on the wall and one on a card are placed by rule: "previz markers" says where.
# left = { middle = ["-350 mm", "0 mm", "20 mm"], turned = "0 deg" }    # flat on the wall
# right = { middle = ["350 mm", "0 mm", "20 mm"] }                      # flat on the wall
# floor = { middle = ["200 mm", "-300 mm", "600 mm"] }                  # lying level, upper edge to the wall
# card = { middle = ["220 mm", "20 mm", "560 mm"], turned = "-15 deg" } # upright; positive faces to camera right
'''


def starter_text(name: str) -> str:
    """A commented scene file, TOML 1.0, of a quarry set that is titled ``name`` and has no faults.

    Characters that a title cannot hold are left out; a name with nothing else gives "Quarry walk".
    """
    title = "".join(c for c in name if c.isprintable()).strip()[:120] or "Quarry walk"
    quoted = '"' + title.replace("\\", "\\\\").replace('"', '\\"') + '"'
    return _TEXT.replace("@KINDS@", WALL_KINDS_TEXT, 1).replace("@TITLE@", quoted, 1)
