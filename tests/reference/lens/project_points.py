"""OpenCV's projectPoints, undistortPoints and calibrateCamera as reference for the lens model.

python3 project_points.py
Versions are written into the file. Pixel centres are at whole numbers in OpenCV; nothing here depends on it.
"""
import json
import cv2
import numpy as np

rng = np.random.default_rng(20000)
cases = []
for fx, fy, c, k, size in [
    (1500.0, 1500.0, (1010.0, 745.0), (-0.28, 0.09, 0.0, 0.0, 0.0), (2016, 1512)),
    (3010.0, 3006.0, (2001.0, 1530.0), (0.08, -0.15, 0.0006, -0.0011, 0.07), (4032, 3024)),
    (900.0, 910.0, (640.0, 350.0), (-0.31, 0.12, 0.001, 0.002, -0.02), (1280, 720)),
    (2800.0, 2800.0, (2016.0, 1512.0), (0.0, 0.0, 0.0, 0.0, 0.0), (4032, 3024)),
]:
    K = np.array([[fx, 0, c[0]], [0, fy, c[1]], [0, 0, 1]])
    d = np.array(k)  # k1 k2 p1 p2 k3
    rvec = rng.uniform(-0.5, 0.5, 3)
    tvec = np.array([20.0, -30.0, 700.0])
    points = np.column_stack([rng.uniform(-180, 180, 20), rng.uniform(-140, 140, 20), rng.uniform(-5, 5, 20)])
    px, _ = cv2.projectPoints(points, rvec, tvec, K, d)
    back = cv2.undistortPoints(px, K, d, criteria=(3, 200, 1e-15)) if any(k) else cv2.undistortPoints(px, K, None)
    cases.append(dict(fx=fx, fy=fy, c=c, k1=k[0], k2=k[1], p1=k[2], p2=k[3], k3=k[4], rvec=rvec.tolist(),
                      tvec=tvec.tolist(), points=points.tolist(), px=px[:, 0].tolist(), undistorted=back[:, 0].tolist()))

# A set of 12 photos of a 5 x 4 grid (54.6 mm pitch), noise 0.05 px, solved by calibrateCameraExtended.
grid = np.array([[x * 54.6, y * 54.6, 0.0] for y in range(4) for x in range(5)]) - [109.2, 81.9, 0]
K = np.array([[1490.0, 0, 1003.0], [0, 1493.0, 760.0], [0, 0, 1]])
d = np.array([-0.21, 0.07, 0.0008, -0.0005, 0.03])
views, rvecs = [], []
while len(views) < 12:
    rvec = rng.uniform(-0.6, 0.6, 3)
    tvec = np.array([rng.uniform(-130, 130), rng.uniform(-90, 90), rng.uniform(380, 600)])
    px, _ = cv2.projectPoints(grid, rvec, tvec, K, d)
    px = px[:, 0] + rng.normal(0, 0.05, (20, 2))
    if (px > 5).all() and (px < [2011, 1507]).all():
        views.append(np.round(px, 4))
solved = {}
for name, flags in [("k1k2", cv2.CALIB_FIX_K3 | cv2.CALIB_ZERO_TANGENT_DIST), ("k1k2k3", cv2.CALIB_ZERO_TANGENT_DIST), ("k1k2p1p2k3", 0)]:
    rms, M, D, R, T, sd, _, per_view = cv2.calibrateCameraExtended(
        [grid.astype(np.float32)] * 12, [v.astype(np.float32).reshape(-1, 1, 2) for v in views], (2016, 1512),
        None, None, flags=flags, criteria=(3, 500, 1e-15))
    D, sd = D.ravel(), sd.ravel()
    solved[name] = dict(rms_px=rms, fx=M[0, 0], fy=M[1, 1], cx=M[0, 2], cy=M[1, 2], k1=D[0], k2=D[1], p1=D[2], p2=D[3],
                        k3=D[4], std_dev=dict(zip(["fx", "fy", "cx", "cy", "k1", "k2", "p1", "p2", "k3"], sd[:9])))
json.dump(dict(source=f"OpenCV {cv2.__version__}, numpy {np.__version__}, project_points.py", cases=cases,
               grid=grid[:, :2].astype(np.float32).astype(float).tolist(), views_px=[np.float32(v).astype(float).tolist() for v in views], solved=solved),
          open("project_points.json", "w"))
