"""Projects points with OpenCV's projectPoints, to check the practice camera (src/rehearse/camera.rs).

Run: python3 rehearse_project_points.py > rehearse_project_points.json
"""
import json
import cv2
import numpy as np

rng = np.random.default_rng(5)
cases = []
for tilt, side, roll, k1, k2, focal, size in [
    (0, 0, 0, 0.0, 0.0, 3005.0, (4000, 3000)),
    (25, 10, -7, -0.08, 0.0, 2900.0, (4000, 3000)),
    (40, -120, 10, 0.05, 0.0, 1200.0, (1632, 1224)),
    (35, 90, 3, -0.30, 0.09, 3100.0, (4000, 3000)),
]:
    t, f, r = np.radians([tilt, side, roll])
    # The camera leans about the horizontal axis square to the side it stands on, then rolls.
    toward = np.array([np.sin(f), np.cos(f), 0.0])
    about = np.cross([0, 0, 1.0], -toward)
    lean, _ = cv2.Rodrigues(about * t)
    turn, _ = cv2.Rodrigues(np.array([0, 0, r]))
    world_from_camera = lean @ turn
    target = np.array([120.0, -60.0, 4.0])
    distance = 1250.0
    centre = target - world_from_camera[:, 2] * distance
    rvec, _ = cv2.Rodrigues(world_from_camera.T)
    tvec = -world_from_camera.T @ centre
    # OpenCV puts pixel centres at whole numbers; half a pixel is added below.
    c = np.array([size[0] * 0.507, size[1] * 0.495])
    K = np.array([[focal, 0, c[0] - 0.5], [0, focal, c[1] - 0.5], [0, 0, 1]])
    points = np.column_stack([rng.uniform(-450, 450, 12), rng.uniform(-320, 320, 12), rng.uniform(-10, 15, 12)])
    px, _ = cv2.projectPoints(points, rvec, tvec, K, np.array([k1, k2, 0, 0, 0.0]))
    cases.append(dict(
        tilt_deg=tilt, from_deg=side, roll_deg=roll, k=[k1, k2], focal_px=focal, size_px=size,
        principal_px=c.tolist(), target=target.tolist(), distance_mm=distance,
        points=points.tolist(), photo_px=(px[:, 0] + 0.5).tolist()))
print(json.dumps({"source": f"OpenCV {cv2.__version__} projectPoints, see rehearse_project_points.py", "cases": cases}, indent=1))
