"""Where the sky falls on the sensor: poses, the horizon's direction, airmass."""

from dataclasses import dataclass

import numpy as np

__all__ = ["Pose", "horizon"]


@dataclass(frozen=True)
class Pose:
    """Sky pixels to frame pixels of one exposure.

    The sky plane is turned, scaled and shifted; then each colour is stretched about the centre of the frame by its
    lateral colour.

    Attributes
    ----------
    scale : frame pixels per sky pixel
    rotation_rad : from sky x to frame x, towards y
    shift : (x, y) of the sky's origin relative to the frame's centre, frame pixels
    shape : (ny, nx)
    lateral : (C,) relative stretch of each channel
    """

    scale: float
    rotation_rad: float
    shift: tuple[float, float]
    shape: tuple[int, int]
    lateral: tuple[float, ...]

    @property
    def centre(self):
        """(x, y) of the frame's centre."""
        return 0.5 * (self.shape[1] - 1), 0.5 * (self.shape[0] - 1)

    def to_frame(self, x, y, channel=None):
        """Frame positions of sky positions; without a channel, of light that has no lateral colour."""
        c, s = np.cos(self.rotation_rad), np.sin(self.rotation_rad)
        stretch = 1.0 if channel is None else 1.0 + self.lateral[channel]
        u = self.scale * (c * x - s * y) + self.shift[0]
        v = self.scale * (s * x + c * y) + self.shift[1]
        return self.centre[0] + stretch * u, self.centre[1] + stretch * v

    def to_sky(self, x, y, channel=None):
        """Sky positions of frame positions; inverse of :meth:`to_frame`."""
        c, s = np.cos(self.rotation_rad), np.sin(self.rotation_rad)
        stretch = 1.0 if channel is None else 1.0 + self.lateral[channel]
        u = ((np.asarray(x) - self.centre[0]) / stretch - self.shift[0]) / self.scale
        v = ((np.asarray(y) - self.centre[1]) / stretch - self.shift[1]) / self.scale
        return c * u + s * v, -s * u + c * v


def horizon(site, hour_angle_h):
    """Airmass and parallactic angle.

    sin(altitude) = sin(phi) sin(delta) + cos(phi) cos(delta) cos(H);
    tan(q) = sin(H) / (tan(phi) cos(delta) - sin(delta) cos(H)) (Meeus, Astronomical Algorithms, ch. 13 and 14; from
    memory). Airmass after Kasten & Young (1989).

    Returns
    -------
    airmass, parallactic angle in radians, azimuth in radians from north through east
    """
    phi, delta, h = (
        np.radians(site.latitude_deg),
        np.radians(site.declination_deg),
        np.radians(15.0 * hour_angle_h),
    )
    sine = np.sin(phi) * np.sin(delta) + np.cos(phi) * np.cos(delta) * np.cos(h)
    altitude = np.arcsin(sine)
    airmass = 1.0 / (sine + 0.50572 * (np.degrees(altitude) + 6.07995) ** -1.6364)
    parallactic = np.arctan2(np.sin(h), np.tan(phi) * np.cos(delta) - np.sin(delta) * np.cos(h))
    azimuth = np.arctan2(
        -np.cos(delta) * np.sin(h), np.sin(delta) * np.cos(phi) - np.cos(delta) * np.sin(phi) * np.cos(h)
    )
    return float(airmass), float(parallactic), float(azimuth)
