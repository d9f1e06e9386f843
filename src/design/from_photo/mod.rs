//! A design from a photo of its printed paper: the line traced, its repeat found, one repeat averaged.
//!
//! ink → skeleton → strokes → trails → middles of the line, all in the photo; then on the paper's plane the
//! repeat, and with all repeats the plane itself.

pub mod centre;
mod cut;
mod error;
pub mod follow;
pub mod ink;
pub mod repeat;
mod settle;
pub mod strokes;
pub mod thin;

pub use error::PaperError;

use super::Design;
use crate::card::CardInPhoto;
use crate::card::geometry::print_scale_u_mm;
use crate::geometry::{Point2, Vector2};
use crate::plane::camera::PreparedView;
use crate::plane::joint::{CameraPrior, Joint, PhotoObservations, Prior, Priors, Solved, State};
use crate::plane::start::{PhotoCards, from_cards};
use crate::solve::levenberg_marquardt::Loss;
use crate::units::Uncertain;
use centre::{LinePlace, centred};
use image::RgbImage;
use ink::Ink;
use repeat::{Course, Laid, STRAY_MM, Step, Template, steps};

/// Lines shorter than this are words and marks, mm.
const LEAST_LINE_MM: f64 = 100.0;
/// Cosine between the card's arrow and straight up from which on the arrow says which side of the design is its top.
const ARROW_COSINE: f64 = 0.5;
/// Mean square of the change of direction (as a vector of length 1) below which a line is a guide line.
const STRAIGHT: f64 = 0.02;
/// A step fits about as well as the best one when its RMS is at most this many times as large, and this many
/// mm more while the plane is not settled.
const AS_WELL: (f64, f64) = (1.5, 0.25);
/// RMS distance of repeats from each other beyond which they are no repeats, mm: before the plane is
/// settled, and after.
const ROUGH_RMS_MM: f64 = 3.5;
const MOST_RMS_MM: f64 = 0.5;
/// Fewest and most rounds of averaging and settling, and by what share the repeats' differences have to fall
/// for one more.
const ROUNDS: (usize, usize) = (3, 10);
const WORTH: f64 = 0.03;
/// Line that is not of the design found, share of that which is, beyond which the design is doubtful.
const MOST_FOREIGN: f64 = 0.3;
/// Share of the repeat by which a length given may differ from one found to be the same.
const SAME_LENGTH: f64 = 0.03;
/// A part of the design that no repeat shows, mm, beyond which there is no design.
const MOST_UNSEEN_MM: f64 = 8.0;
/// Gaps shorter than this are not worth a word, mm.
const LEAST_GAP_MM: f64 = 1.0;

/// A photo of a paper and what is known of it.
#[derive(Debug, Clone, Copy)]
pub struct PaperPhoto<'a> {
    /// The photo in colour, upright.
    pub colour: &'a RgbImage,
    /// Cards found in it.
    pub cards: &'a [CardInPhoto],
    /// What is known of its camera.
    pub camera: CameraPrior,
    /// What a ruler reads on the cards' check bar, mm.
    pub card_bar_mm: f64,
    /// Height of the cards' print above the paper, mm.
    pub board_mm: Prior,
    /// Length of a repeat, if it is known, mm.
    pub repeat_mm: Option<f64>,
    /// Which line, counted from the top of the photo from 1, where there are several designs.
    pub line: Option<usize>,
}

/// A row of the design on the paper.
#[derive(Debug, Clone, PartialEq)]
pub struct PaperRow {
    /// y of its reference line below the first row's, mm.
    pub below_first_mm: f64,
    /// How far its design is moved right against the first row, mm, in 0…repeat.
    pub shift_mm: f64,
    /// How many repeats of it are seen.
    pub repeats: f64,
}

/// Where the line was carried on without ink.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Bridge {
    /// Its middle in the photo, px.
    pub in_photo_px: Point2,
    /// Its length, mm.
    pub length_mm: f64,
}

/// A design as traced.
#[derive(Debug, Clone)]
pub struct TracedDesign {
    /// One repeat.
    pub design: Design,
    /// Its length, mm.
    pub repeat_mm: Uncertain,
    /// RMS distance of all repeats from their mean, mm.
    pub agreement_mm: f64,
    /// Rows seen, from the top.
    pub rows: Vec<PaperRow>,
    /// Gaps, along each row.
    pub bridges: Vec<Bridge>,
    /// Usual width of the printed line, mm.
    pub line_width_mm: f64,
    /// Lines as traced, px of the photo.
    pub traces: Vec<Vec<LinePlace>>,
    /// The paper in the photo; x along the row.
    pub view: PreparedView,
    /// Starts of the rows' repeats on the paper, mm, as the design is cut.
    pub starts: Vec<Point2>,
}

/// The plane as known so far.
struct Plane {
    state: State,
    corners: PhotoObservations,
    priors: Priors,
    solved: Option<Solved>,
}

impl Plane {
    fn from_card(photo: &PaperPhoto) -> Result<Plane, PaperError> {
        let priors = settle::priors(photo.board_mm);
        let cards = [PhotoCards {
            camera: 0,
            cards: photo.cards.to_vec(),
        }];
        let (start, photos) = from_cards(&cards, &[photo.camera], &priors, photo.card_bar_mm)?;
        let joint = Joint {
            cameras: vec![photo.camera],
            photos: photos.clone(),
            priors,
            start,
            line_loss: Loss::Squared,
            hand: None,
        };
        let solved = joint.solve()?;
        Ok(Plane {
            state: solved.state,
            corners: photos.into_iter().next().unwrap_or_default(),
            priors,
            solved: None,
        })
    }

    fn view(&self) -> PreparedView {
        self.state.view(0, 0)
    }

    /// Outlines of the cards' paper in the photo, px.
    fn outlines(&self, photo: &PaperPhoto) -> Vec<[Point2; 4]> {
        let view = self.view();
        let scale = photo.card_bar_mm / crate::card::geometry::CHECK_BAR_MM;
        photo
            .cards
            .iter()
            .zip(&self.state.cards)
            .filter_map(|(found, pose)| {
                let (w, h) = found.card.paper_half_mm();
                let corners = [(-1.0, -1.0), (1.0, -1.0), (1.0, 1.0), (-1.0, 1.0)].map(|(i, j)| {
                    let on_card = Point2::new(i * w, j * h) * scale;
                    view.photo_from_space(&pose.in_space(on_card, &self.state.surface))
                });
                let [Some(a), Some(b), Some(c), Some(d)] = corners else {
                    return None;
                };
                Some([a, b, c, d])
            })
            .collect()
    }

    /// Side of a pixel beside the first card, mm.
    fn mm_per_px(&self) -> f64 {
        let view = self.view();
        let place = Point2::new(self.state.cards[0].x, self.state.cards[0].s);
        let along = |way| view.photo_per_mm(place, way).map_or(1.0, |v| v.norm());
        1.0 / (along(Vector2::x()) * along(Vector2::y())).sqrt().max(1e-6)
    }

    /// Whether the top of the design would be down if its line were read this way, from some place on the paper: by the card's
    /// arrow, or by the picture where the card lies across.
    fn is_upside_down(&self, place: Point2, way: Vector2) -> bool {
        let upright = (self.state.cards[0].angle - way.y.atan2(way.x)).cos();
        if upright.abs() > ARROW_COSINE {
            return upright < 0.0;
        }
        let in_photo = self.view().photo_per_mm(place, way);
        in_photo.is_some_and(|way| way.x < 0.0)
    }

    /// Lines on the paper, longest first; those that leave the paper's view are left out.
    fn courses(&self, traces: &[Vec<LinePlace>]) -> Vec<Course> {
        let view = self.view();
        traces
            .iter()
            .map(|trace| {
                let places: Vec<(Point2, Point2, bool)> = trace
                    .iter()
                    .filter_map(|p| {
                        Some((
                            view.quilt_from_photo(p.in_photo_px)?,
                            p.in_photo_px,
                            p.found,
                        ))
                    })
                    .collect();
                Course::new(&places)
            })
            .collect()
    }
}

/// Traces the design of a photographed paper.
///
/// # Errors
///
/// [`PaperError`], each with what to do.
pub fn trace(photo: &PaperPhoto) -> Result<TracedDesign, PaperError> {
    let mut plane = Plane::from_card(photo)?;
    let ink = Ink::new(photo.colour, plane.mm_per_px(), &plane.outlines(photo));
    let (traces, width_px) = lines(&ink);
    let mut traces: Vec<Vec<LinePlace>> = plane
        .courses(&traces)
        .into_iter()
        .zip(traces)
        .filter(|(course, _)| course.length_mm() >= LEAST_LINE_MM && !is_straight(course))
        .map(|(_, trace)| trace)
        .collect();
    if traces.is_empty() {
        return Err(PaperError::NoLine);
    }
    if let Some(asked) = photo.line {
        choose(&mut traces, &plane, asked)?;
    }
    // Which of the lines shows the repeat best, and by which step.
    let courses = plane.courses(&traces);
    let (base, step) = base(&courses, photo.repeat_mm, ROUGH_RMS_MM)?;
    if plane.is_upside_down(courses[base].on_paper[0], step.way) {
        traces[base].reverse();
    }
    let mut round = Round::new(&mut plane, &traces, base, photo)?;
    for count in 1..=ROUNDS.1 {
        let before = round.rms_mm;
        round.settle(&mut plane, photo)?;
        round = Round::new(&mut plane, &traces, base, photo)?;
        if count >= ROUNDS.0 && round.rms_mm > (1.0 - WORTH) * before {
            break;
        }
    }
    if round.rms_mm > MOST_RMS_MM {
        return Err(PaperError::Differ {
            rms_mm: round.rms_mm,
        });
    }
    if round.others > 0 && photo.line.is_none() {
        return Err(PaperError::SeveralLines(1 + round.others));
    }
    let foreign_mm = round.foreign_mm();
    if foreign_mm > MOST_FOREIGN * round.followed_mm() {
        return Err(PaperError::Foreign {
            repeat_mm: round.template.design.repeat_mm,
            foreign_mm,
        });
    }
    if round.unseen_mm > MOST_UNSEEN_MM {
        return Err(PaperError::Unseen {
            missing_mm: round.unseen_mm,
        });
    }
    Ok(round.finish(&plane, photo, traces, width_px * ink.mm_per_px))
}

/// All long lines of a picture, and their usual width in its pixels.
fn lines(ink: &Ink) -> (Vec<Vec<LinePlace>>, f64) {
    let mask = ink.mask();
    let skeleton = thin::thin(&mask, ink.width);
    let found = strokes::strokes(&mask, &skeleton, ink.width, ink.mm_per_px);
    let least_px = LEAST_LINE_MM / ink.mm_per_px * 0.7;
    let trails = follow::follow(&found.strokes, found.width_px, ink.mm_per_px, least_px);
    let lines = trails
        .iter()
        .map(|trail| centred(&trail.points, found.width_px, ink))
        .collect();
    (lines, found.width_px)
}

fn is_straight(course: &Course) -> bool {
    let ways: Vec<Vector2> = course
        .on_paper
        .windows(6)
        .filter_map(|w| (w[5] - w[0]).try_normalize(1e-9))
        .collect();
    let n = ways.len().max(1) as f64;
    let mean = ways.iter().sum::<Vector2>() / n;
    ways.iter().map(|w| (w - mean).norm_squared()).sum::<f64>() / n < STRAIGHT
}

/// Keeps the line asked for, counted from the top of the photo among those that repeat; lines much shorter
/// than the longest of them are pieces and do not count.
fn choose(traces: &mut Vec<Vec<LinePlace>>, plane: &Plane, asked: usize) -> Result<(), PaperError> {
    let courses = plane.courses(traces);
    let height = |i: &usize| {
        let trace = &traces[*i];
        trace.iter().map(|p| p.in_photo_px.y).sum::<f64>() / trace.len().max(1) as f64
    };
    let mut lines: Vec<usize> = (0..traces.len())
        .filter(|i| step(&courses[*i], None, ROUGH_RMS_MM).is_ok())
        .collect();
    let longest = lines.iter().map(|i| courses[*i].count()).max().unwrap_or(0);
    lines.retain(|i| 2 * courses[*i].count() > longest);
    lines.sort_by(|a, b| height(a).total_cmp(&height(b)));
    let found = lines.len();
    let line = asked.checked_sub(1).and_then(|i| lines.get(i));
    let Some(line) = line else {
        return Err(PaperError::NoSuchLine { asked, found });
    };
    *traces = vec![traces.swap_remove(*line)];
    Ok(())
}

/// The line that shows its repeat over the longest way, with the step.
fn base(
    courses: &[Course],
    repeat_mm: Option<f64>,
    most_rms_mm: f64,
) -> Result<(usize, Step), PaperError> {
    let mut order: Vec<usize> = (0..courses.len()).collect();
    order.sort_by_key(|i| std::cmp::Reverse(courses[*i].count()));
    let mut first = None;
    for i in order {
        match step(&courses[i], repeat_mm, most_rms_mm) {
            Ok(step) => return Ok((i, step)),
            // The longest line's reason is told.
            Err(error) => first = first.or(Some(error)),
        }
    }
    Err(first.unwrap_or(PaperError::NoLine))
}

/// The shortest step that fits as well as any; that of about the length given where one is.
fn step(course: &Course, repeat_mm: Option<f64>, most_rms_mm: f64) -> Result<Step, PaperError> {
    let mut fitting: Vec<Step> = steps(course)
        .into_iter()
        .filter(|s| s.rms_mm <= most_rms_mm)
        .collect();
    if let Some(asked_mm) = repeat_mm {
        let found_mm: Vec<f64> = fitting.iter().map(|s| s.way.norm()).collect();
        fitting.retain(|s| (s.way.norm() / asked_mm - 1.0).abs() <= SAME_LENGTH);
        return fitting
            .into_iter()
            .min_by(|a, b| a.rms_mm.total_cmp(&b.rms_mm))
            .ok_or(if found_mm.is_empty() {
                PaperError::NoRepeat {
                    followed_mm: course.length_mm(),
                }
            } else {
                PaperError::OtherRepeat { asked_mm, found_mm }
            });
    }
    let best = fitting.iter().map(|s| s.rms_mm).fold(f64::MAX, f64::min);
    fitting.retain(|s| s.rms_mm <= AS_WELL.0 * best + AS_WELL.1);
    let Some(first) = fitting.first().copied() else {
        return Err(PaperError::NoRepeat {
            followed_mm: course.length_mm(),
        });
    };
    // Twice or three times the repeat is a repeat as well; anything else is another reading of the line.
    let odd = fitting.iter().any(|s| {
        let times = s.way.norm() / first.way.norm();
        (times - times.round()).abs() > 0.1
    });
    if odd {
        return Err(PaperError::SeveralRepeats(
            fitting.iter().map(|s| s.way.norm()).collect(),
        ));
    }
    Ok(first)
}

/// One round: the plane turned along the rows, all lines on it, the mean repeat, every line laid on it.
struct Round {
    courses: Vec<Course>,
    template: Template,
    /// Lines of this design: which course, and how it lies.
    laid: Vec<(usize, Laid)>,
    /// Long lines of other designs.
    others: usize,
    rms_mm: f64,
    unseen_mm: f64,
}

impl Round {
    fn new(
        plane: &mut Plane,
        traces: &[Vec<LinePlace>],
        base: usize,
        photo: &PaperPhoto,
    ) -> Result<Round, PaperError> {
        let courses = plane.courses(traces);
        let found = step(&courses[base], photo.repeat_mm, ROUGH_RMS_MM)?;
        plane.state = plane.state.turned(found.way.y.atan2(found.way.x));
        let mut courses = plane.courses(traces);
        let turned = Step {
            way: Vector2::new(found.way.norm(), 0.0),
            ..found
        };
        let from = (courses[base].count() - 1 - found.places.min(courses[base].count() - 1)) / 2;
        let mut template = Template::of_course(&courses[base], &turned, from);
        // The base line gives the first mean, then all that fit.
        let first = template.lay(&courses[base]).ok_or(PaperError::NoLine)?;
        template = template.averaged(&[(&courses[base], &first)]).0;
        let limit = (3.0 * found.rms_mm).clamp(1.5, ROUGH_RMS_MM);
        let mut laid: Vec<(usize, Laid)> = Vec::new();
        let mut unseen_mm = 0.0;
        for _ in 0..2 {
            laid.clear();
            for (i, course) in courses.iter_mut().enumerate() {
                let forwards = template.lay(course);
                // Lines were followed from either end.
                let best = match forwards {
                    Some(l) if l.rms_mm <= limit || i == base => Some(l),
                    _ => {
                        let back = course.clone().reversed();
                        let l = template.lay(&back).filter(|l| l.rms_mm <= limit);
                        if l.is_some() {
                            *course = back;
                        }
                        l
                    }
                };
                laid.extend(best.map(|l| (i, l)));
            }
            let used: Vec<(&Course, &Laid)> = laid.iter().map(|(i, l)| (&courses[*i], l)).collect();
            let (next, bare) = template.averaged(&used);
            template = next;
            unseen_mm = bare as f64 * repeat::STEP_MM;
        }
        let laid: Vec<(usize, Laid)> = laid
            .iter()
            .filter_map(|(i, _)| Some((*i, template.lay(&courses[*i])?)))
            .collect();
        let others = (0..courses.len())
            .filter(|i| {
                !laid.iter().any(|(k, _)| k == i)
                    && courses[*i].length_mm() > 0.6 * courses[base].length_mm()
                    && step(&courses[*i], None, ROUGH_RMS_MM).is_ok()
            })
            .count();
        let squares: (f64, f64) = laid
            .iter()
            .flat_map(|(i, l)| {
                let found = &courses[*i].found;
                l.places.iter().zip(found).filter(|p| *p.1)
            })
            .filter(|((_, _, off), _)| off.abs() < STRAY_MM)
            .fold((0.0, 0.0), |(s, n), ((_, _, off), _)| {
                (s + off.powi(2), n + 1.0)
            });
        Ok(Round {
            template,
            laid,
            others,
            rms_mm: (squares.0 / squares.1.max(1.0)).sqrt(),
            unseen_mm,
            courses,
        })
    }

    /// Length of line that is of the design.
    fn followed_mm(&self) -> f64 {
        let places = self.laid.iter().flat_map(|(_, laid)| &laid.places);
        places.filter(|p| p.2.abs() < STRAY_MM).count() as f64 * repeat::STEP_MM
    }

    /// Length of line that is not.
    fn foreign_mm(&self) -> f64 {
        let all: f64 = self.courses.iter().map(Course::length_mm).sum();
        all - self.followed_mm()
    }

    fn used(&self) -> Vec<(&Course, &Laid)> {
        self.laid
            .iter()
            .map(|(i, l)| (&self.courses[*i], l))
            .collect()
    }

    fn settle(&self, plane: &mut Plane, photo: &PaperPhoto) -> Result<(), PaperError> {
        let solved = settle::settle(
            &plane.state,
            &photo.camera,
            &plane.priors,
            &plane.corners,
            &self.template,
            &self.used(),
            self.rms_mm,
        )?;
        plane.state = State {
            rows: Vec::new(),
            stretch: Default::default(),
            ..solved.state.clone()
        };
        plane.solved = Some(solved);
        Ok(())
    }

    fn finish(
        self,
        plane: &Plane,
        photo: &PaperPhoto,
        traces: Vec<Vec<LinePlace>>,
        line_width_mm: f64,
    ) -> TracedDesign {
        let cut::Cut { design, start } = cut::cut(&self.template);
        let repeat = design.repeat_mm;
        // Relative uncertainty of the length: that of the stretch, which the solve left free.
        let relative = plane
            .solved
            .as_ref()
            .map_or(0.01, |s| s.covariance[(2, 2)].max(0.0).sqrt());
        let u = (relative * repeat).hypot(print_scale_u_mm(repeat, photo.card_bar_mm));
        let mut starts: Vec<(Vector2, f64)> = Vec::new();
        for (i, laid) in &self.laid {
            let at = laid.start + start;
            let repeats = self.courses[*i].length_mm() / design.arc_mm();
            // Two pieces of one row, left and right of the card.
            let same = starts.iter_mut().find(|(s, _)| {
                let d = at - *s;
                let apart = d.x - (d.x / repeat).round() * repeat;
                d.y.abs() < 5.0 && apart.abs() < 5.0
            });
            match same {
                Some(row) => row.1 += repeats,
                None => starts.push((at, repeats)),
            }
        }
        starts.sort_by(|a, b| a.0.y.total_cmp(&b.0.y));
        let top = starts.first().map_or(Vector2::zeros(), |s| s.0);
        let rows = starts
            .iter()
            .map(|(at, repeats)| PaperRow {
                below_first_mm: at.y - top.y,
                shift_mm: (at.x - top.x).rem_euclid(repeat),
                repeats: *repeats,
            })
            .collect();
        let bridges = self
            .laid
            .iter()
            .flat_map(|(i, _)| bridges(&self.courses[*i]))
            .collect();
        TracedDesign {
            repeat_mm: Uncertain { value: repeat, u },
            agreement_mm: self.rms_mm,
            rows,
            bridges,
            line_width_mm,
            traces: self.laid.iter().map(|(i, _)| traces[*i].clone()).collect(),
            view: plane.view(),
            starts: starts.iter().map(|s| Point2::from(s.0)).collect(),
            design,
        }
    }
}

/// Stretches of a course without ink.
fn bridges(course: &Course) -> Vec<Bridge> {
    let mut bridges = Vec::new();
    let mut i = 0;
    while i < course.count() {
        let run = course.found[i..].iter().take_while(|f| !**f).count();
        let length_mm = run as f64 * repeat::STEP_MM;
        if length_mm >= LEAST_GAP_MM {
            bridges.push(Bridge {
                in_photo_px: course.in_photo_px[i + run / 2],
                length_mm,
            });
        }
        i += run.max(1);
    }
    bridges
}
