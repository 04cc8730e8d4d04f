"""Adding the frames: weights, matching of scale and sky, and what counts as an outlier."""

from pipeline.numerics.output_grid import FINEST
from pipeline.settings.keys import Key

__all__ = ["KEYS"]

KEYS = (
    Key(
        "stack.objective",
        kind="choice",
        choices=("diffuse", "point"),
        default="diffuse",
        doc="What the weights of the frames are best for: nebulae (diffuse), or stars (point), where a frame with "
        "sharp stars weighs more.",
    ),
    Key(
        "stack.kernel",
        kind="choice",
        choices=("auto", "drizzle", "ringless", "lanczos", "cubic", "linear"),
        default="auto",
        doc="How raw pixels reach the stack. drizzle drops each one, shrunk, onto the grid and keeps stars sharpest, but "
        "needs many dithered frames; the others interpolate between pixels of one colour: ringless keeps stars "
        "sharp and digs no dark ring around bright ones, lanczos is as sharp and digs one, cubic is softer, linear never "
        "overshoots. auto takes drizzle where the frames of a session cover the "
        "grid evenly enough, else ringless.",
    ),
    Key(
        "stack.pixfrac",
        kind="number",
        unit="1",
        minimum=0.3,
        maximum=1,
        default=0.8,
        doc="drizzle: side of the drop over that of the pixel. Smaller keeps stars sharper and needs more frames.",
    ),
    Key(
        "stack.output_scale",
        kind="integer",
        minimum=1,
        maximum=FINEST,
        default=1,
        doc="Pixels of the stack along the side of a pixel of the anchor. 2 gives back detail that stars narrower than two "
        "pixels have, if a session has some forty dithered frames or more; the stack and everything after it then have four times "
        "the pixels and take four times the time, memory and disk.",
    ),
    Key(
        "stack.background_order",
        kind="integer",
        minimum=0,
        maximum=4,
        default=2,
        doc="Degree of the surface by which a frame's sky is matched to the reference's; 0 matches the level only.",
    ),
    Key(
        "stack.scale_error",
        kind="number",
        unit="1",
        minimum=0.001,
        maximum=0.2,
        default=0.01,
        doc="Relative error below which a colour channel of a frame has a photometric scale of its own; above, all "
        "channels share one.",
    ),
    Key(
        "stack.reject",
        kind="flag",
        default=True,
        doc="Whether samples that lie off the others (trails, particle hits) are left out.",
    ),
    Key(
        "stack.rejection",
        kind="choice",
        choices=("noise_model", "clipped_mean", "median_mad", "min_max"),
        default="noise_model",
        doc="How they are found. noise_model holds each sample against the noise that the camera must have there, allows for "
        "seeing and follows trails; it works from three frames on. clipped_mean and median_mad go by the scatter of the "
        "samples themselves; min_max leaves out the lowest and the highest.",
    ),
    Key(
        "stack.reject_high_sigma",
        kind="number",
        unit="sigma",
        minimum=2,
        maximum=50,
        default=4.5,
        doc="A sample brighter than the others by this many times its noise is left out.",
    ),
    Key(
        "stack.reject_low_sigma",
        kind="number",
        unit="sigma",
        minimum=2,
        maximum=50,
        default=6.0,
        doc="The same for darker samples; larger, since trails and hits only add light.",
    ),
    Key(
        "stack.grow_sigma",
        kind="number",
        unit="sigma",
        minimum=1,
        maximum=50,
        default=2.0,
        doc="A sample off by this much is left out if it is connected with one that is left out anyway.",
    ),
    Key(
        "stack.grow_reach_px",
        kind="integer",
        unit="px",
        minimum=0,
        maximum=100,
        default=10,
        doc="Largest distance over which that spreads, in pixels of the frames.",
    ),
)
