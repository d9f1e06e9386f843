//! What the numbers of a finished quilt mean, in a quilter's words.

use super::record::{FinishedRecord, Relative, Shrinkage};
use crate::card::geometry::CardId;
use crate::gap::places;
use crate::plan::Plan;
use crate::plane::camera::CardPose;
use crate::record::{DriftRecord, GapRecord};
use crate::row::relaxed::arrows_up;
use crate::solve::median::median;
use crate::units::{LengthUnit, Uncertain};
use crate::verdict::conformity::{Finding, judge, worst};
use crate::verdict::words::{K_95, interval, length, list, number, unit_name};

/// Which rows were found, when it is not all rows of the plan.
pub(super) fn numbering(found: &[u32], planned: u32) -> Option<String> {
    let last = found.last().copied().unwrap_or(0);
    let holes: Vec<String> = (1..=last)
        .filter(|n| !found.contains(n))
        .map(|n| n.to_string())
        .collect();
    let holes_too = match holes.len() {
        0 => String::new(),
        _ => format!(" Between them nothing was found of row {}.", list(&holes)),
    };
    if last == planned {
        return (!holes.is_empty()).then(|| {
            format!(
                "Row {} could not be measured; take the photos again with light falling across the quilt from one side.",
                list(&holes)
            )
        });
    }
    Some(format!(
        "The plan has {planned} rows, {} found; the one at the top was taken as row 1.{holes_too} See that the \
         whole quilt is in the photos, and that the plan's number of rows is right.",
        match last as usize - holes.len() {
            1 => "1 was".to_owned(),
            n => format!("{n} were"),
        },
    ))
}

/// Share of the rows' lines that has to be followed, in the middle of all rows, before their places are trusted;
/// between the practice quilts that came out right (46 % and more) and those that did not (26 % and less).
const TRUSTED_SHARE: f64 = 0.3;

/// Share of a row's line that was followed, in the middle of all rows.
fn middle_share(record: &FinishedRecord) -> f64 {
    let shares = record.rows.iter().map(|r| r.coverage).collect();
    median(shares, f64::total_cmp).unwrap_or(0.0)
}

/// Whether enough of the stitching was followed for the numbers to be trusted.
pub fn is_followed(record: &FinishedRecord) -> bool {
    middle_share(record) >= TRUSTED_SHARE
}

/// That too little of the stitching was followed.
pub(super) fn hardly_followed(record: &FinishedRecord) -> Option<String> {
    (!is_followed(record)).then(|| {
        format!(
            "The stitching could be followed on only {:.0} % of the rows' lines, so these numbers are not to be \
             trusted. Take the photos again from nearer, or with light falling across the quilt from one side.",
            100.0 * middle_share(record)
        )
    })
}

/// Cards whose arrows do not point up the quilt, named by their photos' words.
pub(super) fn arrows(cards: &[(CardId, CardPose)]) -> Option<String> {
    let down: Vec<String> = cards
        .iter()
        .filter(|(_, pose)| arrows_up(std::slice::from_ref(pose), 0.0) < 0.0)
        .map(|(card, _)| card.to_string())
        .collect();
    match down.len() {
        0 => None,
        n if 2 * n > cards.len() => Some(format!(
            "Most cards' arrows point down the quilt ({}); its stitching was believed which end is the top.",
            list(&down)
        )),
        n => Some(format!(
            "The cards do not agree which end of the quilt is the top: {} point{} down; the others and the stitching \
             were believed.",
            list(&down),
            if n == 1 { "s" } else { "" }
        )),
    }
}

/// Left, centre and right of a drift.
fn three(drift: &DriftRecord) -> [Uncertain; 3] {
    [drift.left, drift.centre, drift.right]
}

fn most(values: impl IntoIterator<Item = Uncertain>) -> Option<Uncertain> {
    values
        .into_iter()
        .max_by(|a, b| a.value.abs().total_cmp(&b.value.abs()))
}

/// A gap at left, centre and right less what was planned, drawn in as the design's height was.
pub(super) fn off_shrunk(gap: &GapRecord, record: &FinishedRecord) -> Option<[Uncertain; 3]> {
    let expected = gap.plan_mm * (1.0 + record.shrinkage.down.value);
    let u = gap.plan_mm * record.shrinkage.down.u;
    places(gap).map(|at| {
        at.map(|s| Uncertain {
            value: s.value - expected,
            u: s.u.hypot(u),
        })
    })
}

/// The quilt against the tolerances.
pub(super) fn relative(record: &FinishedRecord, plan: &Plan) -> Relative {
    let tolerance = &plan.tolerance;
    let gaps: Vec<(u32, [Uncertain; 3])> = record
        .gaps
        .iter()
        .filter_map(|gap| Some((gap.to_row, off_shrunk(gap, record)?)))
        .collect();
    let worst_gap_mm = gaps
        .iter()
        .filter_map(|(row, at)| Some((*row, most(*at)?)))
        .max_by(|a, b| a.1.value.abs().total_cmp(&b.1.value.abs()));
    let drift = record.drift_as_shrunk.iter().skip(1).flat_map(three);
    Relative {
        worst_gap_mm,
        gaps: worst(
            gaps.iter()
                .flat_map(|g| g.1)
                .map(|off| judge(off, tolerance.spacing_mm)),
        ),
        last_drift_mm: record.drift_as_shrunk.last().and_then(|d| most(three(d))),
        drift: worst(drift.map(|d| judge(d, tolerance.drift_mm))),
        skew: worst(
            record
                .rows
                .iter()
                .skip(1)
                .map(|r| judge(r.slope_mm_per_m, tolerance.skew_mm_per_m)),
        ),
        bow: worst(
            record
                .rows
                .iter()
                .map(|r| judge(r.bow_mm, tolerance.bow_mm)),
        ),
    }
}

/// The judgement in one sentence.
pub(super) fn judgement(record: &FinishedRecord, plan: &Plan) -> String {
    let unit = plan.unit;
    let relative = &record.relative;
    let named =
        |finding: Finding, what: &str| (finding == Finding::Beyond).then(|| what.to_owned());
    let beyond: Vec<String> = [
        named(relative.gaps, "gaps"),
        named(relative.drift, "drift"),
        named(relative.skew, "skew"),
        named(relative.bow, "bow"),
    ]
    .into_iter()
    .flatten()
    .collect();
    let all = [relative.gaps, relative.drift, relative.skew, relative.bow];
    if !is_followed(record) {
        return "The stitching is too faint in these photos to judge the quilt by; take them again.".to_owned();
    }
    let head = match beyond.len() {
        0 if all.iter().all(|f| *f == Finding::Inside) => {
            "The rows are even: gaps, drift, skew and bow are all within the plan's tolerances".to_owned()
        }
        0 => "Nothing is shown to be beyond the plan's tolerances, but not everything is surely within them".to_owned(),
        1 => format!("The plan's tolerance for {} is exceeded", beyond[0]),
        _ => format!("The plan's tolerances for {} are exceeded", list(&beyond)),
    };
    let with_u = |v: Uncertain| {
        format!(
            "{} ± {} {}",
            number(v.value.abs(), unit),
            interval(v.u, unit),
            unit_name(unit)
        )
    };
    let gap = relative.worst_gap_mm.map(|(row, off)| {
        let way = if off.value > 0.0 { "wide" } else { "narrow" };
        format!(
            "the most uneven gap is the one above row {row}, {} too {way}",
            with_u(off)
        )
    });
    let last = record.rows.last().map_or(0, |r| r.row);
    // Nothing has drifted against itself.
    let drift = relative.last_drift_mm.filter(|_| last > 1).map(|off| {
        let way = if off.value > 0.0 { "low" } else { "high" };
        format!("row {last} lies up to {} too {way}", with_u(off))
    });
    let more: Vec<String> = gap.into_iter().chain(drift).collect();
    match more.is_empty() {
        true => head + ".",
        false => format!("{head}; {}.", more.join(", and ")),
    }
}

/// A relative change of a length: `2.1 ± 0.2 % shorter`, or that none shows.
pub fn change(v: Uncertain, less: &str, more: &str) -> String {
    let half_width = (1000.0 * K_95 * v.u).ceil() / 10.0;
    if (v.value.abs()) < K_95 * v.u {
        return format!("not measurably {less} (within {half_width:.1} %)");
    }
    let way = if v.value < 0.0 { less } else { more };
    format!("{:.1} ± {half_width:.1} % {way}", 100.0 * v.value.abs())
}

/// How much the quilting has drawn the quilt in, and what would be even then.
pub fn shrinkage(shrinkage: &Shrinkage, spacing_mm: f64, unit: LengthUnit) -> String {
    let expected = spacing_mm * (1.0 + shrinkage.down.value);
    let even = match number(expected, unit) == number(spacing_mm, unit) {
        true => String::new(),
        false => format!(
            "; so {} instead of {} from row to row is taken for even",
            length(expected, unit),
            length(spacing_mm, unit)
        ),
    };
    format!(
        "Off the frame the design is {} across the quilt and {} down it than planned{even}.",
        change(shrinkage.across, "shorter", "longer"),
        change(shrinkage.down, "shorter", "longer"),
    )
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn another_number_of_rows_is_said_plainly_with_the_end_that_was_taken_as_first() {
        assert_eq!(numbering(&[1, 2, 3], 3), None);
        let more = numbering(&[1, 2, 3, 4], 3).unwrap();
        assert!(more.contains("The plan has 3 rows, 4 were found"), "{more}");
        assert!(more.contains("at the top was taken as row 1"), "{more}");
        let hole = numbering(&[1, 2, 4, 5], 6).unwrap();
        assert!(
            hole.contains("4 were found") && hole.contains("of row 3"),
            "{hole}"
        );
        let one = numbering(&[1, 3], 3).unwrap();
        assert!(one.starts_with("Row 2 could not be measured"), "{one}");
    }

    #[test]
    fn cards_that_point_down_are_named() {
        let lying = |degrees: f64| CardPose {
            x: 0.0,
            s: 0.0,
            angle: degrees.to_radians(),
            height: 4.0,
            tilt_x: 0.0,
            tilt_y: 0.0,
        };
        let [a, b, c] = [CardId::Sheet(1), CardId::Sheet(2), CardId::Strip(3)];
        // On its side a card says nothing.
        assert_eq!(arrows(&[(a, lying(20.0)), (b, lying(-91.0))]), None);
        let one = arrows(&[(a, lying(20.0)), (b, lying(170.0)), (c, lying(-40.0))]).unwrap();
        assert!(one.contains("sheet 2 points down"), "{one}");
        let most = arrows(&[(a, lying(200.0)), (b, lying(170.0)), (c, lying(-40.0))]).unwrap();
        assert!(most.starts_with("Most cards"), "{most}");
    }
}
