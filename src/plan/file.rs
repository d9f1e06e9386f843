//! `plan.toml`: read, checked, and written with comments for a person who edits it by hand.

use super::{Plan, Tolerance};
use crate::learn::earlier::{EarlierQuilt, MOST_OFF, Seen};
use crate::units::{INCH, LengthUnit, parse_length};
use crate::verdict::words::length;
use crate::whole_file::write_whole;
use std::path::{Path, PathBuf};

/// File name of the plan in a quilt's folder.
pub const FILE_NAME: &str = "plan.toml";
/// What stands in the file for no design.
const NO_DESIGN: &str = "none";
/// Most rows a quilt can have.
const MOST_ROWS: u32 = 500;

/// Why a plan cannot be used.
#[derive(Debug, Clone, PartialEq, thiserror::Error)]
pub enum PlanError {
    /// No plan there.
    #[error("there is no plan in {}; make one with `rowsight plan`", folder.display())]
    Missing {
        /// The quilt's folder.
        folder: PathBuf,
    },
    /// A file where a folder should be.
    #[error("{} is a file, not the folder of a quilt; name the folder in which its {FILE_NAME} lies", path.display())]
    NoFolder {
        /// The file.
        path: PathBuf,
    },
    /// Cannot be read or written.
    #[error("{} cannot be {what} ({reason})", path.display())]
    File {
        /// The file.
        path: PathBuf,
        /// Read or written.
        what: &'static str,
        /// What the system says.
        reason: String,
    },
    /// The plan in this file cannot be used.
    #[error("{}: {error}", path.display())]
    InFile {
        /// The file.
        path: PathBuf,
        /// Why.
        error: Box<PlanError>,
    },
    /// Not TOML.
    #[error("line {line}: {reason}; compare with a plan that `rowsight plan` wrote")]
    Syntax {
        /// Line, counted from 1.
        line: usize,
        /// What the reader says.
        reason: String,
    },
    /// A key that is not known.
    #[error("`{key}` is not known{}", meant(suggestion))]
    UnknownKey {
        /// The key.
        key: String,
        /// The known key nearest to it.
        suggestion: Option<&'static str>,
    },
    /// A key that is needed.
    #[error("the plan lacks `{0}`; add it")]
    MissingKey(&'static str),
    /// A value that cannot be.
    #[error("`{key}` {reason}")]
    Impossible {
        /// The key.
        key: &'static str,
        /// What is wrong with it and what is expected.
        reason: String,
    },
}

fn meant(suggestion: &Option<&'static str>) -> String {
    suggestion.map_or_else(
        || "; remove it".to_owned(),
        |s| format!("; did you mean `{s}`?"),
    )
}

/// What a person asks for; what is left out gets a sensible value.
#[derive(Debug, Clone, PartialEq)]
pub struct PlanRequest {
    /// Unit lengths are shown in.
    pub unit: LengthUnit,
    /// Width of the quilt, mm.
    pub width_mm: f64,
    /// Length of the quilt, mm.
    pub length_mm: f64,
    /// Design file, relative to the quilt's folder; empty for none.
    pub design_file: String,
    /// Length of a repeat, mm; nought where it is not told.
    pub repeat_mm: f64,
    /// Height of the design, mm.
    pub design_height_mm: f64,
    /// Distance of neighbouring rows, mm.
    pub spacing_mm: f64,
    /// Stagger, fraction of a repeat.
    pub stagger: f64,
    /// Number of rows; as many as fit when left out.
    pub rows: Option<u32>,
    /// First row's baseline below the top edge, mm; centred when left out.
    pub first_row_mm: Option<f64>,
    /// What a ruler reads on the check bar, mm.
    pub card_bar_mm: f64,
    /// Tolerances.
    pub tolerance: Tolerance,
    /// Take-up roll and throat.
    pub roll: crate::learn::roll::Roll,
}

impl Default for Tolerance {
    /// Spacing 1/8 in: the eye sees a change of about that between neighbouring gaps. Drift 3/8 in:
    /// three such gaps, before it shows against an edge. Skew 3 mm/m and bow 1/8 in: as much as a gap
    /// over half the width of a quilt. All common practice, no source.
    fn default() -> Self {
        Tolerance {
            spacing_mm: INCH.0 / 8.0,
            drift_mm: 3.0 * INCH.0 / 8.0,
            skew_mm_per_m: 3.0,
            bow_mm: INCH.0 / 8.0,
        }
    }
}

impl PlanRequest {
    /// The plan.
    ///
    /// # Errors
    ///
    /// [`PlanError::Impossible`] naming the value.
    pub fn plan(&self) -> Result<Plan, PlanError> {
        // Rows fill the quilt: as many as keep the design inside it, at least one.
        let free = self.length_mm - self.design_height_mm;
        let fit = (free / self.spacing_mm).floor().max(0.0) + 1.0;
        let rows = self.rows.unwrap_or(fit.min(f64::from(MOST_ROWS)) as u32);
        let first = self
            .first_row_mm
            .unwrap_or((self.length_mm - (f64::from(rows) - 1.0) * self.spacing_mm) / 2.0);
        let plan = Plan {
            unit: self.unit,
            width_mm: self.width_mm,
            length_mm: self.length_mm,
            design_file: self.design_file.clone(),
            repeat_mm: self.repeat_mm,
            spacing_mm: self.spacing_mm,
            stagger: self.stagger,
            rows,
            first_row_mm: first,
            card_bar_mm: self.card_bar_mm,
            tolerance: self.tolerance,
            roll: self.roll,
            earlier: Vec::new(),
        };
        check(&plan)?;
        Ok(plan)
    }
}

/// Checks that the numbers can be.
fn check(plan: &Plan) -> Result<(), PlanError> {
    let impossible = |key, reason: String| Err(PlanError::Impossible { key, reason });
    let show = |mm: f64| length(mm, plan.unit);
    let positive = [
        ("width", plan.width_mm),
        ("length", plan.length_mm),
        ("spacing", plan.spacing_mm),
        ("card-bar", plan.card_bar_mm),
        ("tolerance.spacing", plan.tolerance.spacing_mm),
        ("tolerance.drift", plan.tolerance.drift_mm),
        ("tolerance.skew", plan.tolerance.skew_mm_per_m),
        ("tolerance.bow", plan.tolerance.bow_mm),
    ];
    for (key, value) in positive {
        if !value.is_finite() || value <= 0.0 {
            return impossible(key, format!("is {value}; it has to be more than nought"));
        }
    }
    let repeat = (plan.has_design() || plan.repeat_mm != 0.0).then_some(plan.repeat_mm);
    for (key, value, least, most) in [
        ("width", Some(plan.width_mm), 100.0, 10_000.0),
        ("length", Some(plan.length_mm), 100.0, 20_000.0),
        ("repeat", repeat, 20.0, 5_000.0),
        ("spacing", Some(plan.spacing_mm), 10.0, 2_000.0),
    ] {
        let Some(value) = value else { continue };
        if !(least..=most).contains(&value) {
            let (least, most) = (show(least), show(most));
            return impossible(
                key,
                format!(
                    "is {}; it has to lie between {least} and {most}",
                    show(value)
                ),
            );
        }
    }
    for (key, value, least, most) in [
        ("roll.bar", plan.roll.bar_mm, 10.0, 300.0),
        ("roll.loft", plan.roll.loft_mm, 0.2, 50.0),
        ("roll.depth", plan.roll.depth_mm, 100.0, 2_000.0),
    ] {
        if let Some(value) = value.filter(|v| !(least..=most).contains(v)) {
            let (least, most) = (show(least), show(most));
            return impossible(
                key,
                format!(
                    "is {}; it has to lie between {least} and {most}",
                    show(value)
                ),
            );
        }
    }
    if !(140.0..=160.0).contains(&plan.card_bar_mm) {
        return impossible(
            "card-bar",
            format!(
                "is {:.1} mm; the printed bar is about 150 mm long, so measure it again or print the card at 100 %",
                plan.card_bar_mm
            ),
        );
    }
    if !(0.0..1.0).contains(&plan.stagger) {
        return impossible(
            "stagger",
            format!(
                "is {}; it is a share of the repeat from 0 to below 1, such as 0.5",
                plan.stagger
            ),
        );
    }
    if plan.rows == 0 || plan.rows > MOST_ROWS {
        return impossible(
            "rows",
            format!("is {}; it has to lie between 1 and {MOST_ROWS}", plan.rows),
        );
    }
    if plan.tolerance.spacing_mm >= plan.spacing_mm / 2.0 {
        return impossible(
            "tolerance.spacing",
            format!(
                "is {}, half of the spacing or more; use about 1/8 in",
                show(plan.tolerance.spacing_mm)
            ),
        );
    }
    let end = plan.first_row_mm + (f64::from(plan.rows) - 1.0) * plan.spacing_mm;
    // Rows that just fill the quilt may start a rounding error above its edge.
    if !(-1e-6..=plan.length_mm).contains(&plan.first_row_mm) {
        return impossible(
            "first-row",
            format!(
                "is {}, off the quilt; give a length below its first edge, or take fewer rows or a smaller spacing",
                show(plan.first_row_mm)
            ),
        );
    }
    if end > plan.length_mm + plan.spacing_mm {
        return impossible(
            "rows",
            format!(
                "is {}, which at a spacing of {} reaches {} down a quilt {} long; take fewer rows or a smaller spacing",
                plan.rows,
                show(plan.spacing_mm),
                show(end),
                show(plan.length_mm)
            ),
        );
    }
    Ok(())
}

/// Keys of the file, and whether each has to be there.
const KEYS: [(&str, bool); 17] = [
    ("unit", false),
    ("width", true),
    ("length", true),
    ("design", true),
    ("repeat", false),
    ("spacing", true),
    ("stagger", false),
    ("rows", true),
    ("first-row", true),
    ("card-bar", true),
    ("tolerance.spacing", false),
    ("tolerance.drift", false),
    ("tolerance.skew", false),
    ("tolerance.bow", false),
    ("roll.bar", false),
    ("roll.loft", false),
    ("roll.depth", false),
];

/// Reads the plan of a quilt's folder.
///
/// # Errors
///
/// [`PlanError`], one sentence that names the key.
pub fn read(folder: &Path) -> Result<Plan, PlanError> {
    let path = folder.join(FILE_NAME);
    let text = match std::fs::read_to_string(&path) {
        Ok(text) => text,
        Err(e) if e.kind() == std::io::ErrorKind::NotFound => {
            return Err(PlanError::Missing {
                folder: folder.to_owned(),
            });
        }
        Err(_) if folder.is_file() => {
            return Err(PlanError::NoFolder {
                path: folder.to_owned(),
            });
        }
        Err(e) => {
            return Err(PlanError::File {
                path,
                what: "read",
                reason: match e.kind() {
                    std::io::ErrorKind::InvalidData => {
                        "it is no plain text in UTF-8; save it as that, or write a new one with `rowsight plan`".to_owned()
                    }
                    _ => e.to_string(),
                },
            });
        }
    };
    parse(&text).map_err(|error| PlanError::InFile {
        path,
        error: Box::new(error),
    })
}

/// The plan in a text.
///
/// # Errors
///
/// As [`read`].
pub fn parse(text: &str) -> Result<Plan, PlanError> {
    let table: toml::Table = text.parse().map_err(|e: toml::de::Error| {
        let at = e.span().map_or(0, |s| s.start);
        PlanError::Syntax {
            line: 1 + text[..at.min(text.len())].matches('\n').count(),
            reason: e.message().to_owned(),
        }
    })?;
    let mut values: Vec<(String, toml::Value)> = Vec::new();
    let mut earlier = Vec::new();
    for (key, value) in table {
        if key == EARLIER {
            earlier = earlier_quilts(&value)?;
            continue;
        }
        match value {
            toml::Value::Table(inner) => {
                values.extend(inner.into_iter().map(|(k, v)| (format!("{key}.{k}"), v)))
            }
            value => values.push((key, value)),
        }
    }
    if let Some((key, _)) = values
        .iter()
        .find(|(k, _)| !KEYS.iter().any(|(known, _)| known == k))
    {
        return Err(PlanError::UnknownKey {
            key: key.clone(),
            suggestion: nearest(key, KEYS.iter().map(|(known, _)| *known).chain([EARLIER])),
        });
    }
    let get = |key: &'static str| values.iter().find(|(k, _)| k == key).map(|(_, v)| v);
    for (key, needed) in KEYS {
        if needed && get(key).is_none() {
            return Err(PlanError::MissingKey(key));
        }
    }
    let unit = match get("unit").map(|v| v.as_str().unwrap_or("")) {
        None | Some("in") => LengthUnit::Inch,
        Some("mm") => LengthUnit::Millimetre,
        Some(other) => {
            return Err(PlanError::Impossible {
                key: "unit",
                reason: format!("is `{other}`; write \"in\" or \"mm\""),
            });
        }
    };
    let wrong = |key, reason: String| PlanError::Impossible { key, reason };
    let length_at = |key: &'static str, or: f64| -> Result<f64, PlanError> {
        match get(key) {
            None => Ok(or),
            Some(toml::Value::String(text)) => parse_length(text)
                .map(|mm| mm.0)
                .map_err(|e| wrong(key, format!("is wrong: {e}"))),
            Some(other) => Err(wrong(
                key,
                format!("is {other}; write a length with its unit in quotes, like \"6 1/2 in\""),
            )),
        }
    };
    let known_length = |key: &'static str| -> Result<Option<f64>, PlanError> {
        get(key).map(|_| length_at(key, 0.0)).transpose()
    };
    let number_at = |key: &'static str, or: f64| -> Result<f64, PlanError> {
        match get(key) {
            None => Ok(or),
            Some(toml::Value::Float(f)) => Ok(*f),
            Some(toml::Value::Integer(i)) => Ok(*i as f64),
            Some(other) => Err(wrong(key, format!("is {other}; write a number"))),
        }
    };
    let usual = Tolerance::default();
    let rows = match get("rows") {
        Some(toml::Value::Integer(n)) => u32::try_from((*n).clamp(0, 1_000_000)).unwrap_or(0),
        Some(other) => return Err(wrong("rows", format!("is {other}; write a whole number"))),
        None => 0,
    };
    let design_file = match get("design") {
        Some(toml::Value::String(s)) if !s.is_empty() => s.clone(),
        _ => {
            return Err(wrong(
                "design",
                format!(
                    "names no file; write it in quotes, or \"{NO_DESIGN}\" to measure without one"
                ),
            ));
        }
    };
    let design_file = if design_file == NO_DESIGN {
        String::new()
    } else {
        design_file
    };
    if !design_file.is_empty() && get("repeat").is_none() {
        return Err(PlanError::MissingKey("repeat"));
    }
    let plan = Plan {
        unit,
        width_mm: length_at("width", 0.0)?,
        length_mm: length_at("length", 0.0)?,
        design_file,
        repeat_mm: length_at("repeat", 0.0)?,
        spacing_mm: length_at("spacing", 0.0)?,
        stagger: number_at("stagger", 0.0)?,
        rows,
        first_row_mm: length_at("first-row", 0.0)?,
        card_bar_mm: length_at("card-bar", 0.0)?,
        tolerance: Tolerance {
            spacing_mm: length_at("tolerance.spacing", usual.spacing_mm)?,
            drift_mm: length_at("tolerance.drift", usual.drift_mm)?,
            skew_mm_per_m: number_at("tolerance.skew", usual.skew_mm_per_m)?,
            bow_mm: length_at("tolerance.bow", usual.bow_mm)?,
        },
        roll: crate::learn::roll::Roll {
            bar_mm: known_length("roll.bar")?,
            loft_mm: known_length("roll.loft")?,
            depth_mm: known_length("roll.depth")?,
        },
        earlier,
    };
    check(&plan)?;
    Ok(plan)
}

/// The part of the file that says what earlier quilts showed, one table for each.
const EARLIER: &str = "earlier";
/// Keys of an earlier quilt.
const OF_A_QUILT: [&str; 5] = [
    "earlier.quilt",
    "earlier.advances",
    MODES[0],
    MODES[1],
    MODES[2],
];
const MODES: [&str; 3] = ["earlier.middle", "earlier.skew", "earlier.sag"];
/// Keys of what is seen of each of them.
const OF_A_MODE: [[&str; 3]; 3] = [
    [
        "earlier.middle.mean",
        "earlier.middle.scatter",
        "earlier.middle.u",
    ],
    [
        "earlier.skew.mean",
        "earlier.skew.scatter",
        "earlier.skew.u",
    ],
    ["earlier.sag.mean", "earlier.sag.scatter", "earlier.sag.u"],
];

/// What the file says of earlier quilts.
fn earlier_quilts(value: &toml::Value) -> Result<Vec<EarlierQuilt>, PlanError> {
    let no_list = || {
        PlanError::Impossible {
        key: EARLIER,
        reason: "is no list of quilts; begin each with a line [[earlier]], as `rowsight plan --earlier` does"
            .to_owned(),
    }
    };
    let quilts = value.as_array().ok_or_else(no_list)?;
    let tables: Option<Vec<&toml::Table>> = quilts.iter().map(toml::Value::as_table).collect();
    tables
        .ok_or_else(no_list)?
        .into_iter()
        .map(earlier_quilt)
        .collect()
}

fn earlier_quilt(table: &toml::Table) -> Result<EarlierQuilt, PlanError> {
    let wrong = |key, reason: String| Err(PlanError::Impossible { key, reason });
    let get = |table: &'_ toml::Table, key: &'static str| {
        let last = key.rsplit('.').next().unwrap_or(key);
        table.get(last).cloned().ok_or(PlanError::MissingKey(key))
    };
    known_keys(table, EARLIER, &OF_A_QUILT)?;
    let [name, advances] = [OF_A_QUILT[0], OF_A_QUILT[1]];
    let quilt = match get(table, name)? {
        toml::Value::String(text) => text,
        other => {
            return wrong(
                name,
                format!("is {other}; write the quilt's name in quotes"),
            );
        }
    };
    let count = match get(table, advances)? {
        toml::Value::Integer(count @ 1..=10_000) => count as u32,
        other => {
            return wrong(
                advances,
                format!("is {other}; write a whole number, 1 or more"),
            );
        }
    };
    let mut modes = [Seen::default(); 3];
    for ((mode, key), keys) in modes.iter_mut().zip(MODES).zip(&OF_A_MODE) {
        let seen = match get(table, key)? {
            toml::Value::Table(seen) => seen,
            other => {
                return wrong(
                    key,
                    format!("is {other}; write it like {{ mean = 0.4, scatter = 1.0, u = 0.3 }}"),
                );
            }
        };
        known_keys(&seen, key, keys)?;
        let mut numbers = [0.0; 3];
        for ((number, key), least) in numbers.iter_mut().zip(*keys).zip([-MOST_OFF, 0.0, 0.0]) {
            let value = get(&seen, key)?;
            *number = match value {
                toml::Value::Float(f) => f,
                toml::Value::Integer(i) => i as f64,
                other => return wrong(key, format!("is {other}; write a number")),
            };
            if !(least..=MOST_OFF).contains(number) {
                return wrong(
                    key,
                    format!("is {number}; it has to lie between {least} and {MOST_OFF}"),
                );
            }
        }
        let [mean, scatter, u] = numbers;
        *mode = Seen { mean, scatter, u };
    }
    Ok(EarlierQuilt {
        name: quilt,
        advances: count,
        modes,
    })
}

/// Every key of the table is one of these, which begin with `of`.
fn known_keys(table: &toml::Table, of: &str, known: &[&'static str]) -> Result<(), PlanError> {
    let keys = table.keys().map(|key| format!("{of}.{key}"));
    let unknown = keys.into_iter().find(|key| !known.contains(&key.as_str()));
    match unknown {
        Some(key) => Err(PlanError::UnknownKey {
            suggestion: nearest(&key, known.iter().copied()),
            key,
        }),
        None => Ok(()),
    }
}

/// The known key nearest to a mistyped one, if near enough.
fn nearest(key: &str, among: impl Iterator<Item = &'static str>) -> Option<&'static str> {
    let tidy = key.replace('_', "-").to_lowercase();
    among
        .map(|known| (edit_distance(&tidy, known), known))
        .min()
        .filter(|(distance, known)| *distance <= 1 + known.len() / 3)
        .map(|(_, known)| known)
}

/// Levenshtein's distance (V. I. Levenshtein, Soviet Physics Doklady 10, 1966).
fn edit_distance(a: &str, b: &str) -> usize {
    let b: Vec<char> = b.chars().collect();
    let mut last: Vec<usize> = (0..=b.len()).collect();
    for (i, x) in a.chars().enumerate() {
        let mut now = vec![i + 1];
        for (j, y) in b.iter().enumerate() {
            now.push(
                (last[j] + usize::from(x != *y))
                    .min(last[j + 1] + 1)
                    .min(now[j] + 1),
            );
        }
        last = now;
    }
    last[b.len()]
}

/// A length as written into the file: exact, in the plan's unit.
fn exact(mm: f64, unit: LengthUnit) -> String {
    let shown = length(mm, unit);
    // A fraction of an inch or a tenth of a millimetre where that is what it is.
    if parse_length(&shown).is_ok_and(|read| (read.0 - mm).abs() < 1e-6) {
        return shown;
    }
    match unit {
        LengthUnit::Inch => {
            let inches = format!("{:.5}", mm / INCH.0);
            format!("{} in", inches.trim_end_matches('0').trim_end_matches('.'))
        }
        LengthUnit::Millimetre => {
            let text = format!("{mm:.4}");
            format!("{} mm", text.trim_end_matches('0').trim_end_matches('.'))
        }
    }
}

/// The plan as text, with comments.
pub fn to_toml(plan: &Plan) -> String {
    let len = |mm: f64| exact(mm, plan.unit);
    let unit = match plan.unit {
        LengthUnit::Inch => "in",
        LengthUnit::Millimetre => "mm",
    };
    let design = toml::Value::String(match plan.has_design() {
        true => plan.design_file.clone(),
        false => NO_DESIGN.to_owned(),
    });
    let repeat = match plan.told_repeat_mm() {
        Some(mm) => format!("repeat = \"{}\"", len(mm)),
        None => format!("# repeat = \"{}\"", length(10.0 * INCH.0, plan.unit)),
    };
    format!(
        r#"# The plan of one quilt. Lengths are written with their unit, in quotes: "6 1/2 in", "165 mm", "1.8 m".
# Change what you like and save; rowsight reads it anew each time.

# Lengths are shown in "in" (fractions to 1/32) or "mm".
unit = "{unit}"

# The quilt: across the frame, and from its first edge to its last.
width = "{width}"
length = "{length}"

# The design: an SVG or DXF file in this folder, or "{NO_DESIGN}" to measure rows against each other alone; and the length
# of one repeat along the row, which may be left out where there is no design.
design = {design}
{repeat}

# From one row to the next; and how far each row's design is moved along against the row before it,
# as a share of the repeat (0 not at all, 0.5 half a repeat).
spacing = "{spacing}"
stagger = {stagger:?}

# How many rows, and where the middle of the first one lies below the quilt's first edge.
rows = {rows}
first-row = "{first}"

# What a ruler reads on the check bar printed on your cards (150 mm when printed exactly).
card-bar = "{bar}"

# How much may be off before rowsight says so. The eye sees a change of about 1/8 in between
# neighbouring gaps (common practice).
[tolerance]
# A gap against the spacing, at left, centre or right.
spacing = "{t_spacing}"
# A row against the plan, all gaps added up.
drift = "{t_drift}"
# A row's slope against row 1, in millimetres per metre.
skew = {t_skew:?}
# How far a row's middle may hang or stand out against its ends.
bow = "{t_bow}"
"#,
        width = len(plan.width_mm),
        length = len(plan.length_mm),
        spacing = len(plan.spacing_mm),
        stagger = plan.stagger,
        rows = plan.rows,
        first = len(plan.first_row_mm),
        bar = exact(plan.card_bar_mm, LengthUnit::Millimetre),
        t_spacing = len(plan.tolerance.spacing_mm),
        t_drift = len(plan.tolerance.drift_mm),
        t_skew = plan.tolerance.skew_mm_per_m,
        t_bow = len(plan.tolerance.bow_mm),
    ) + &roll_to_toml(plan)
        + &earlier_to_toml(&plan.earlier)
}

/// What earlier quilts showed, as the file's last part; nothing where there are none.
fn earlier_to_toml(earlier: &[EarlierQuilt]) -> String {
    if earlier.is_empty() {
        return String::new();
    }
    // Three decimals say more than any photo does; adding zero turns -0.0 into 0.0.
    let number = |value: f64| format!("{:?}", (1000.0 * value).round() / 1000.0 + 0.0);
    let mode = |key: &str, seen: &Seen| {
        let [mean, scatter, u] = [seen.mean, seen.scatter, seen.u].map(number);
        format!("{key} = {{ mean = {mean}, scatter = {scatter}, u = {u} }}\n")
    };
    let quilt = |quilt: &EarlierQuilt| {
        let [middle, skew, sag] = &quilt.modes;
        [
            format!(
                "[[{EARLIER}]]\nquilt = {}\nadvances = {}\n",
                toml::Value::String(quilt.name.clone()),
                quilt.advances
            ),
            mode("middle", middle),
            mode("skew", skew),
            mode("sag", sag),
        ]
        .concat()
    };
    "
# How your advance went on earlier quilts, so that the advice need not learn it anew: `plan --earlier` wrote this.
# Delete one quilt's lines to leave it out, or all of them to start from what is usual.
# Of every quilt: how many advances were measured; how far past (+) or before (-) its mark the middle of an advance
# came on average, how unevenly, and the standard uncertainty of measuring one, in millimetres; the same of how
# far the right end went beyond the left (skew), in millimetres per metre, and the middle beyond the ends (sag).
"
    .to_owned()
        + &earlier.iter().map(quilt).collect::<Vec<_>>().join("\n")
}

/// The roll's part of the file: what is not known stands there as a comment, to be filled in.
fn roll_to_toml(plan: &Plan) -> String {
    let line = |key: &str, value: Option<f64>, example: f64| match value {
        Some(mm) => format!("{key} = \"{}\"\n", exact(mm, plan.unit)),
        None => format!("# {key} = \"{}\"\n", length(example, plan.unit)),
    };
    let roll = &plan.roll;
    [
        "\n# The take-up roll: the bare bar across, one layer of the quilt as rolled up under tension, and how\n\
         # deep the machine's throat is when nothing is rolled up.\n[roll]\n"
            .to_owned(),
        line("bar", roll.bar_mm, 2.0 * INCH.0),
        line("loft", roll.loft_mm, INCH.0 / 8.0),
        line("depth", roll.depth_mm, 18.0 * INCH.0),
    ]
    .concat()
}

/// Writes the plan into a quilt's folder, whole or not at all.
///
/// # Errors
///
/// [`PlanError::File`].
pub fn write(folder: &Path, plan: &Plan) -> Result<(), PlanError> {
    write_whole(&folder.join(FILE_NAME), to_toml(plan).as_bytes()).map_err(|e| PlanError::File {
        path: folder.join(FILE_NAME),
        what: "written",
        reason: e.to_string(),
    })
}

#[cfg(test)]
mod tests {
    use super::*;

    fn request() -> PlanRequest {
        PlanRequest {
            unit: LengthUnit::Inch,
            width_mm: 84.0 * 25.4,
            length_mm: 96.0 * 25.4,
            design_file: "meander.svg".to_owned(),
            repeat_mm: 254.0,
            design_height_mm: 127.0,
            spacing_mm: 6.0 * 25.4,
            stagger: 0.5,
            rows: None,
            first_row_mm: None,
            card_bar_mm: 149.6,
            tolerance: Tolerance::default(),
            roll: crate::learn::roll::Roll::default(),
        }
    }

    #[test]
    fn a_roll_is_written_read_back_and_checked() {
        let mut plan = request().plan().unwrap();
        assert_eq!(parse(&to_toml(&plan)).unwrap().roll, plan.roll);
        plan.roll.bar_mm = Some(50.8);
        plan.roll.loft_mm = Some(6.0);
        let read = parse(&to_toml(&plan)).unwrap().roll;
        assert!((read.bar_mm.unwrap() - 50.8).abs() < 1e-6);
        assert!((read.loft_mm.unwrap() - 6.0).abs() < 1e-3);
        assert_eq!(read.depth_mm, None);
        plan.roll.loft_mm = Some(0.0);
        let error = parse(&to_toml(&plan)).unwrap_err().to_string();
        assert!(error.contains("`roll.loft`"), "{error}");
    }

    fn with_earlier() -> Plan {
        let seen = |mean: f64| Seen {
            mean,
            scatter: 0.812,
            u: 0.35,
        };
        let quilt = |name: &str| EarlierQuilt {
            name: name.to_owned(),
            advances: 13,
            modes: [seen(1.5), seen(-0.25), seen(0.0)],
        };
        Plan {
            earlier: vec![quilt("spring"), quilt("the \"long\" one\n[roll]")],
            ..request().plan().unwrap()
        }
    }

    #[test]
    fn earlier_quilts_are_written_read_back_and_left_out_where_there_are_none() {
        let plan = with_earlier();
        let text = to_toml(&plan);
        assert_eq!(parse(&text).unwrap().earlier, plan.earlier);
        let without = Plan {
            earlier: Vec::new(),
            ..plan
        };
        assert!(!to_toml(&without).contains("earlier"));
        // All of the part deleted by hand.
        let (before, _) = text.split_once("\n# How your advance went").unwrap();
        assert_eq!(before, to_toml(&without));
        assert_eq!(parse(before).unwrap().earlier, []);
    }

    /// A plan with one mistake is refused in one line that says so.
    fn assert_named(good: &str, from: &str, to: &str, says: &str) {
        assert!(good.contains(from), "{from}");
        let message = parse(&good.replacen(from, to, 1)).unwrap_err().to_string();
        assert!(message.contains(says), "{to}: {message}");
        assert!(!message.contains('\n'), "one line: {message}");
    }

    #[test]
    fn mistakes_with_earlier_quilts_are_named() {
        let good = to_toml(&with_earlier());
        for (from, to, says) in [
            ("[[earlier]]", "[[earliest]]", "did you mean `earlier`?"),
            ("[[earlier]]", "[earlier]", "line"),
            (
                "advances = 13",
                "advance = 13",
                "did you mean `earlier.advances`?",
            ),
            ("advances = 13", "advances = 0", "`earlier.advances` is 0"),
            ("advances = 13", "advances = \"13\"", "whole number"),
            ("advances = 13\n", "", "lacks `earlier.advances`"),
            ("quilt = \"spring\"", "quilt = 3", "name in quotes"),
            ("middle = {", "midle = {", "did you mean `earlier.middle`?"),
            (
                "mean = 1.5,",
                "meen = 1.5,",
                "did you mean `earlier.middle.mean`?",
            ),
            ("mean = 1.5,", "mean = 152.4,", "between -100 and 100"),
            ("mean = 1.5,", "mean = nan,", "`earlier.middle.mean`"),
            ("mean = 1.5,", "mean = \"1.5 mm\",", "write a number"),
            (
                "mean = 1.5, scatter = 0.812",
                "mean = 1.5, scatter = -1",
                "`earlier.middle.scatter`",
            ),
            (
                "mean = 1.5, scatter = 0.812,",
                "mean = 1.5,",
                "lacks `earlier.middle.scatter`",
            ),
            (
                "sag = { mean = 0.0, scatter = 0.812, u = 0.35 }",
                "sag = 0.0",
                "write it like",
            ),
        ] {
            assert_named(&good, from, to, says);
        }
        let one = format!("earlier = 3\n{}", to_toml(&request().plan().unwrap()));
        let message = parse(&one).unwrap_err().to_string();
        assert!(message.contains("[[earlier]]"), "{message}");
    }

    #[test]
    fn rows_fill_the_quilt_and_are_centred() {
        let plan = request().plan().unwrap();
        // 96 in less the design's 5 in hold 15 gaps of 6 in: 16 rows over 90 in, 3 in left at each end.
        assert_eq!(plan.rows, 16);
        assert!((plan.first_row_mm - 3.0 * 25.4).abs() < 1e-9);
    }

    #[test]
    fn rows_that_do_not_fit_are_not_centred_off_the_quilt() {
        let with = |rows| {
            PlanRequest {
                rows: Some(rows),
                ..request()
            }
            .plan()
        };
        assert!(with(17).is_ok_and(|plan| plan.first_row_mm == 0.0));
        let error = with(18).unwrap_err().to_string();
        assert!(error.contains("fewer rows"), "{error}");
    }

    #[test]
    fn what_is_written_reads_back_exactly_enough() {
        for unit in [LengthUnit::Inch, LengthUnit::Millimetre] {
            let plan = PlanRequest { unit, ..request() }.plan().unwrap();
            let read = parse(&to_toml(&plan)).unwrap();
            assert!((read.spacing_mm - plan.spacing_mm).abs() < 1e-3);
            assert!((read.tolerance.drift_mm - plan.tolerance.drift_mm).abs() < 1e-3);
            assert!((read.card_bar_mm - 149.6).abs() < 1e-9);
            assert_eq!((read.rows, read.unit, read.stagger), (plan.rows, unit, 0.5));
        }
    }

    #[test]
    fn mistakes_in_a_plan_are_named() {
        let good = to_toml(&request().plan().unwrap());
        for (from, to, says) in [
            (
                "spacing = \"6 in\"",
                "spaceing = \"6 in\"",
                "did you mean `spacing`?",
            ),
            ("spacing = \"6 in\"", "spacing = \"0 in\"", "`spacing`"),
            ("spacing = \"6 in\"", "spacing = \"-6 in\"", "`spacing`"),
            ("spacing = \"6 in\"", "spacing = 6", "with its unit"),
            ("spacing = \"6 in\"", "spacing = \"6\"", "no unit"),
            ("stagger = 0.5", "stagger = 1.5", "`stagger`"),
            ("stagger = 0.5", "stagger = nan", "`stagger`"),
            ("skew = 3.0", "skew = nan", "`tolerance.skew`"),
            ("skew = 3.0", "skew = -1", "`tolerance.skew`"),
            ("rows = 16", "rows = 0", "`rows`"),
            ("rows = 16", "rows = 60", "fewer rows"),
            (
                "first-row = \"3 in\"",
                "first-row = \"-3 in\"",
                "off the quilt",
            ),
            ("rows = 16", "rows = 1.5", "whole number"),
            ("rows = 16\n", "", "lacks `rows`"),
            (
                "card-bar = \"149.6 mm\"",
                "card-bar = \"15 mm\"",
                "`card-bar`",
            ),
            ("unit = \"in\"", "unit = \"furlong\"", "`unit`"),
            ("unit = \"in\"", "unit = ", "line 5"),
        ] {
            assert_named(&good, from, to, says);
        }
    }
}
