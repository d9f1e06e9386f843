//! The lens model and its calibration against values from outside: OpenCV's `projectPoints`,
//! `undistortPoints` and `calibrateCamera` (tests/reference/lens/project_points.py and
//! opencv_left_reference.json), and Zhang's published data and result (tests/reference/lens/zhang).

use nalgebra::{Matrix2, Rotation3, Vector3};
use rowsight::calibrate::bundle::{
    Bundle, BundleSolution, CardShape, CardView, Estimate, PlanePoint, Unknown,
};
use rowsight::calibrate::{Terms, unknowns, zhang};
use rowsight::geometry::Point2;
use rowsight::geometry::homography::Homography;
use rowsight::plane::camera::{Camera, Distortion};
use rowsight::plane::start::pose_of_plane;
use rowsight::solve::levenberg_marquardt::Loss;
use serde_json::Value;
use std::path::Path;

fn reference(name: &str) -> Value {
    let path = Path::new(env!("CARGO_MANIFEST_DIR"))
        .join("tests/reference/lens")
        .join(name);
    serde_json::from_str(&std::fs::read_to_string(path).unwrap()).unwrap()
}

fn number(value: &Value) -> f64 {
    value.as_f64().unwrap()
}

fn pairs(value: &Value) -> Vec<Point2> {
    let pair = |p: &Value| Point2::new(number(&p[0]), number(&p[1]));
    value.as_array().unwrap().iter().map(pair).collect()
}

fn camera(v: &Value, centre: (f64, f64)) -> Camera {
    let n = |key: &str| number(&v[key]);
    Camera {
        aspect: n("fy") / n("fx"),
        ..Camera::new(
            n("fx"),
            Point2::new(centre.0, centre.1),
            Distortion {
                radial: [n("k1"), n("k2"), n("k3")],
                tangential: [n("p1"), n("p2")],
            },
        )
    }
}

/// Source: OpenCV, version in the file.
#[test]
fn points_fall_where_opencv_projects_them_and_undistort_alike() {
    let all = reference("project_points.json");
    for case in all["cases"].as_array().unwrap() {
        let camera = camera(case, (number(&case["c"][0]), number(&case["c"][1])));
        let three = |v: &Value| Vector3::new(number(&v[0]), number(&v[1]), number(&v[2]));
        let rotation = Rotation3::from_scaled_axis(three(&case["rvec"]));
        for (i, px) in pairs(&case["px"]).into_iter().enumerate() {
            let at = rotation * three(&case["points"][i]) + three(&case["tvec"]);
            let mine = camera.project(&at).unwrap();
            assert!((mine - px).norm() < 1e-8, "{mine} {px}");
            let ray = camera.ray(px);
            let theirs = pairs(&case["undistorted"])[i];
            // Both invert by iteration; 1e-9 is a millionth of a pixel.
            assert!((ray.xy() - theirs.coords).norm() < 1e-9, "{ray} {theirs}");
        }
    }
}

/// Plain least squares as OpenCV does it: every point with the same weight, no priors, flat cards.
fn solve(
    on_card: &[Point2],
    photos: &[Vec<Point2>],
    size_px: (u32, u32),
    camera_unknowns: [Unknown; 10],
) -> BundleSolution {
    let homographies: Vec<Homography> = photos
        .iter()
        .map(|seen| Homography::from_points(on_card, seen).unwrap())
        .collect();
    let camera = zhang::first_guess(&homographies, size_px);
    let point = |(on_card, in_photo_px): (&Point2, &Point2)| PlanePoint {
        on_card: *on_card,
        in_photo_px: *in_photo_px,
        whitening: Matrix2::identity(),
    };
    let view = |seen: &Vec<Point2>| CardView {
        card: 0,
        points: on_card.iter().zip(seen).map(point).collect(),
    };
    let bundle = Bundle {
        views: photos.iter().map(view).collect(),
        start: Estimate {
            camera,
            shapes: vec![CardShape::flat((1.0, 1.0))],
            poses: homographies
                .iter()
                .map(|h| pose_of_plane(h.matrix(), &camera).unwrap())
                .collect(),
        },
        camera: camera_unknowns,
        shape: [Unknown::Fixed; 4],
        square_u: None,
        loss: Loss::Squared,
        relative_cost: 1e-14,
    };
    bundle.solve().unwrap()
}

fn rms_px(solution: &BundleSolution, points: usize) -> f64 {
    (solution.cost / points as f64).sqrt()
}

const NAMES: [&str; 9] = ["fx", "fy", "cx", "cy", "k1", "k2", "k3", "p1", "p2"];

/// All values to 1e-4 relative (or of their own standard deviation, for terms near 0), standard
/// deviations to 1e-3, RMS not larger.
fn same_as_opencv(solution: &BundleSolution, theirs: &Value, points: usize, terms: Terms) {
    let values = solution.estimate.camera.values();
    let rms = rms_px(solution, points);
    let theirs_rms = number(&theirs["rms_px"]);
    assert!(rms < theirs_rms * (1.0 + 1e-9), "RMS {rms} {theirs_rms}");
    // OpenCV's variance factor: 2n − unknowns, as here.
    let sigma = (solution.cost / solution.degrees_of_freedom()).sqrt();
    for (i, name) in NAMES.iter().enumerate() {
        let (mine, other) = (values[i], number(&theirs[*name]));
        let u = sigma * solution.head_covariance[(i, i)].sqrt();
        let fixed =
            matches!(*name, "k3") && !terms.k3 || name.starts_with('p') && !terms.tangential;
        if fixed {
            assert_eq!((mine, other), (0.0, 0.0));
            continue;
        }
        let off = (mine - other).abs();
        assert!(
            off < 1e-4 * other.abs() || off < 1e-3 * u,
            "{name}: {mine} {other}"
        );
        if let Some(sd) = theirs["std_dev"][*name].as_f64() {
            assert!((u / sd - 1.0).abs() < 2e-3, "u of {name}: {u} {sd}");
        }
    }
}

const TERMS: [(&str, Terms); 3] = [
    (
        "k1k2",
        Terms {
            k3: false,
            tangential: false,
        },
    ),
    (
        "k1k2k3",
        Terms {
            k3: true,
            tangential: false,
        },
    ),
    (
        "k1k2p1p2k3",
        Terms {
            k3: true,
            tangential: true,
        },
    ),
];

/// Source: OpenCV `calibrateCameraExtended`, version in the file.
#[test]
fn drawn_corners_give_the_values_and_deviations_of_opencv() {
    let all = reference("project_points.json");
    let photos: Vec<Vec<Point2>> = all["views_px"]
        .as_array()
        .unwrap()
        .iter()
        .map(pairs)
        .collect();
    let grid = pairs(&all["grid"]);
    for (name, terms) in TERMS {
        let solution = solve(&grid, &photos, (2016, 1512), unknowns(terms));
        same_as_opencv(&solution, &all["solved"][name], 12 * grid.len(), terms);
    }
}

/// Source: corners found by OpenCV in its sample photographs left01…left14, and its calibrations of them.
#[test]
fn corners_of_real_photographs_give_the_values_and_deviations_of_opencv() {
    let all = reference("opencv_left_reference.json");
    let grid: Vec<Point2> = (0..54)
        .map(|i| Point2::new(f64::from(i % 9), f64::from(i / 9)))
        .collect();
    for (set, terms) in [
        ("all13_k1k2", TERMS[0].1),
        ("all13_k1k2p1p2k3", TERMS[2].1),
        ("without_left02_k1k2", TERMS[0].1),
        ("without_left02_k1k2p1p2k3", TERMS[2].1),
    ] {
        let photos: Vec<Vec<Point2>> = all["corners_px"]
            .as_object()
            .unwrap()
            .iter()
            .filter(|(name, _)| set.starts_with("all") || *name != "left02.jpg")
            .map(|(_, corners)| {
                // OpenCV was given them as 32-bit numbers.
                let as_given = |p: Point2| p.map(|v| f64::from(v as f32));
                pairs(corners).into_iter().map(as_given).collect()
            })
            .collect();
        let solution = solve(&grid, &photos, (640, 480), unknowns(terms));
        same_as_opencv(
            &solution,
            &all["calibrations"][set],
            photos.len() * 54,
            terms,
        );
    }
}

fn zhang_data() -> (Vec<Point2>, Vec<Vec<Point2>>) {
    let folder = Path::new(env!("CARGO_MANIFEST_DIR")).join("tests/reference/lens/zhang");
    let read = |name: &str| -> Vec<Point2> {
        let text = std::fs::read_to_string(folder.join(name)).unwrap();
        let numbers: Vec<f64> = text
            .split_whitespace()
            .map(|w| w.parse().unwrap())
            .collect();
        numbers
            .chunks_exact(2)
            .map(|p| Point2::new(p[0], p[1]))
            .collect()
    };
    let photos = (1..=5).map(|i| read(&format!("data{i}.txt"))).collect();
    (read("Model.txt"), photos)
}

/// Z. Zhang, IEEE TPAMI 22(11), 2000: his data and his result, with skew, to the digits printed; sum of
/// squares and the rest as confirmed with scipy (zhang_reference.json).
#[test]
fn zhangs_data_give_his_published_camera() {
    let (model, photos) = zhang_data();
    let all = reference("zhang_reference.json");
    let mut free = unknowns(Terms::default());
    free[9] = Unknown::Free;
    let solution = solve(&model, &photos, (640, 480), free);
    let [alpha, beta, u0, v0, k1, k2, _, _, _, gamma] = solution.estimate.camera.values();
    // One unit of the last digit printed.
    for (mine, key, digit) in [
        (alpha, "alpha", 0.01),
        (beta, "beta", 0.01),
        (u0, "u0", 0.001),
        (v0, "v0", 0.001),
        (gamma, "gamma", 1e-5),
        (k1, "k1", 1e-6),
        (k2, "k2", 2e-6),
    ] {
        let published = number(&all["published"][key]);
        assert!(
            (mine - published).abs() <= digit,
            "{key}: {mine} {published}"
        );
    }
    let sum = number(&all["refit_scipy"]["sum_sq_px2"]);
    assert!(
        (solution.cost / sum - 1.0).abs() < 1e-6,
        "{} {sum}",
        solution.cost
    );
    let sigma = (solution.cost / solution.degrees_of_freedom()).sqrt();
    for (i, key) in [
        (0, "alpha"),
        (1, "beta"),
        (2, "u0"),
        (3, "v0"),
        (4, "k1"),
        (5, "k2"),
        (9, "gamma"),
    ] {
        let u = sigma * solution.head_covariance[(i, i)].sqrt();
        let sd = number(&all["refit_scipy"]["std_dev"][key]);
        assert!((u / sd - 1.0).abs() < 1e-3, "u of {key}: {u} {sd}");
    }
}

/// The closed form alone against numpy's on the same data (zhang_reference.json): the algebraic solution
/// depends on the normalisation, so to 1 %, as the file says.
#[test]
fn zhangs_closed_form_starts_near() {
    let (model, photos) = zhang_data();
    let all = reference("zhang_reference.json");
    let homographies: Vec<Homography> = photos
        .iter()
        .map(|seen| Homography::from_points(&model, seen).unwrap())
        .collect();
    let camera = zhang::closed_form(&homographies, (640, 480)).unwrap();
    let theirs = &all["closed_form_linear"];
    let near = |mine: f64, key: &str| {
        let other = number(&theirs[key]);
        assert!((mine / other - 1.0).abs() < 0.01, "{key}: {mine} {other}");
    };
    near(camera.focal_px, "alpha");
    near(camera.focal_px * camera.aspect, "beta");
    near(camera.centre_px.x, "u0");
    near(camera.centre_px.y, "v0");
    let focal = zhang::focal_only(&homographies, (640, 480))
        .unwrap()
        .focal_px;
    assert!((focal / 870.0 - 1.0).abs() < 0.03, "{focal}");
}
