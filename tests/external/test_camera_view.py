"""What the camera sees, against OpenCV's pinhole projection (cv2.projectPoints, reference library)."""

from __future__ import annotations

import cv2
import numpy as np
import pytest

from lampwalk.positions import Camera, Subject, in_picture

SUBJECT = Subject(width_m=6, depth_m=2.2, height_m=1.8)


@pytest.mark.parametrize("angle_deg", [-120.0, -20.0, 0.0, 35.0])
@pytest.mark.parametrize("sensor_mm", [(36.0, 24.0), (24.0, 36.0), (17.3, 13.0)])
def test_same_points_in_the_picture(angle_deg: float, sensor_mm: tuple[float, float]) -> None:
    camera = Camera(focal_mm=28, distance_m=8, height_m=1.4, angle_deg=angle_deg, sensor_mm=sensor_mm)
    points = np.random.default_rng(7).uniform((-8, -8, 0), (8, 8, 5), (400, 3))
    target = np.array([0.0, 0.0, SUBJECT.height_m / 2])
    z = (target - camera.place) / np.linalg.norm(target - camera.place)
    x = np.cross(z, [0, 0, 1])
    x /= np.linalg.norm(x)
    rotation = np.stack([x, np.cross(z, x), z])
    matrix = np.array([[28.0, 0, 0], [0, 28.0, 0], [0, 0, 1]])
    seen, _ = cv2.projectPoints(points, cv2.Rodrigues(rotation)[0], -rotation @ camera.place, matrix, None)
    inside = (np.abs(seen[:, 0]) < np.array(sensor_mm) / 2).all(axis=1) & ((points - camera.place) @ z > 0.05)
    assert 20 < inside.sum() < 380
    assert [in_picture(camera, SUBJECT, point, 0.0) for point in points] == inside.tolist()
