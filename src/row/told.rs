//! By what the rows' lines are told in a photo, and the lines followed by it.

use super::groove;
use super::spread::robust_spread;
use super::trace::OBSERVE_EVERY;
use crate::geometry::Vector2;
use crate::line::strip::{Freedom, LINE_SIGMAS_MM, LinePoint, Look, Strip};
use rayon::prelude::*;

/// Strength from which the line is taken for found; a path through nothing mostly stays below it.
pub(super) const FOUND_STRENGTH: f32 = 6.0;
/// By how much strengths are larger for a plain line than for a faint one, by the thread, whose evidence is clipped, and by its
/// look: along rows that are not there no more than one place in twelve is then found (practice photos with another design).
const THREAD_STRENGTH: f32 = 2.0;
const FAINT_LOOK_STRENGTH: f32 = 1.5;
/// How far a faint line strays as a rule at least, mm: what is found of it is what strays least.
const FAINT_STRAY_MM: f64 = 2.0;
/// Half length of the window in which most of the line has to be found before any of it counts, samples.
const SUPPORT_HALF: usize = 30;
/// Share of the window.
const SUPPORT_SHARE: f32 = 0.6;
/// Samples at each end of a found run that may still be led astray by what ends it.
const RUN_END: usize = 6;
/// Share of the line that stands out, but not near the fitted design, from which the fit is not there yet.
const FIT_IS_OFF: f64 = 0.3;
/// Share of the lines in view from which on they are found well enough; below, the thread alone is tried.
const MOSTLY_FOUND: f64 = 0.6;
/// Strength of the best quarter of a line from which on it is plain where it is seen, however much of it is hidden.
const PLAIN_STRENGTH: f32 = 3.0 * FOUND_STRENGTH;
/// Spread about the fitted design up to which what is found counts in full, mm; chance scatters over all that is in reach.
const STEADY_MM: f64 = 0.5;
/// How much of what the thread finds its look has to find to be taken.
const LOOK_FINDS: f64 = 0.7;
/// How far walls lie from the middle of their groove from which they are no chance, mm.
const WALL_MM: f64 = 0.25;

/// By what the line is told in a photo.
#[derive(Debug, Clone)]
pub(super) enum Told {
    /// By its bend across at a scale, mm; light lines lie so far from the middle of their grooves on the quilt, mm, and dark ones
    /// to the other side (see [`super::groove`]).
    Bend { sigma_mm: f64, wall_mm: Vector2 },
    /// By its slope across: a groove lit from the side.
    Slope,
    /// By the thread alone, see [`Strip::threads`].
    Thread,
    /// By its own look, learned from what was traced.
    Look(Box<Look>),
    /// By its own look, learned where the thread alone tells it, and as a faint line: the thread says best whether there is a
    /// line, its look says where. A groove's lit and shaded walls are threads too.
    FaintLook(Box<Look>),
}

impl Told {
    pub(super) fn evidence(&self, strip: &Strip) -> Vec<f32> {
        strip.evidence(&match self {
            Told::Bend { sigma_mm, .. } => strip.bends(*sigma_mm),
            Told::Slope => strip.slopes(),
            Told::Thread => strip.threads(),
            Told::Look(look) | Told::FaintLook(look) => strip.likeness(look),
        })
    }

    /// The line in a strip, its strength such that [`FOUND_STRENGTH`] means as much whatever it is told by.
    pub(super) fn line(&self, strip: &Strip, expected_mm: f64) -> Vec<LinePoint> {
        let evidence = self.evidence(strip);
        let strength = match self {
            Told::Thread => THREAD_STRENGTH,
            Told::FaintLook(_) => FAINT_LOOK_STRENGTH,
            Told::Slope | Told::Look(_) => {
                return strip.line(&evidence, expected_mm, Freedom::PLAIN);
            }
            Told::Bend { wall_mm, .. } => {
                let mut line = strip.line(&evidence, expected_mm, Freedom::PLAIN);
                for (point, sample) in line.iter_mut().zip(&strip.samples) {
                    let light_off_mm = sample.normal_on_quilt.dot(wall_mm) as f32;
                    point.across_mm -= point.evidence.signum() * light_off_mm;
                }
                return line;
            }
        };
        let expected_mm = expected_mm.max(FAINT_STRAY_MM);
        let mut line = strip.line(&evidence, expected_mm, Freedom::FAINT);
        for point in &mut line {
            point.strength *= strength;
        }
        line
    }

    /// Whether the line is followed as a faint one.
    pub(super) fn is_faint(&self) -> bool {
        matches!(self, Told::Thread | Told::FaintLook(_))
    }
}

/// How far a row's line may lie from the fitted design.
#[derive(Debug, Clone, Copy)]
pub struct Stray {
    /// As a rule, mm.
    pub expected_mm: f64,
    /// At most, over a hand's breadth (RMS), mm: further off it is something else, a rail, a seam, a print.
    pub farthest_mm: f64,
}

/// The rows' lines in a photo, and by what they were told.
pub(super) struct Followed {
    pub(super) told: Told,
    /// See [`typical_strength`].
    pub(super) strength: f32,
    /// By row.
    pub(super) lines: Vec<Vec<LinePoint>>,
}

impl Followed {
    pub(super) fn by(told: Told, strips: &[Strip], strays: &[Stray]) -> Followed {
        let lines: Vec<Vec<LinePoint>> = strips
            .par_iter()
            .zip(strays)
            .map(|(strip, stray)| told.line(strip, stray.expected_mm))
            .collect();
        Followed {
            told,
            strength: typical_strength(lines.iter().flatten()),
            lines,
        }
    }

    /// By the bend at the scale at which it is strongest; where that loses most of the lines and the thread alone shows more, by
    /// that or by the look that it shows.
    pub(super) fn anew(strips: &[Strip], strays: &[Stray], wall_mm: Vector2) -> Followed {
        let by_bend = |sigma_mm: &f64| {
            let sigma_mm = *sigma_mm;
            Followed::by(Told::Bend { sigma_mm, wall_mm }, strips, strays)
        };
        let mut best = by_bend(&LINE_SIGMAS_MM[0]);
        for other in LINE_SIGMAS_MM[1..].iter().map(by_bend) {
            if other.strength > best.strength {
                best = other;
            }
        }
        if best.are_mostly_found(strays) || best.strength >= PLAIN_STRENGTH {
            return best;
        }
        let by_thread = Followed::by(Told::Thread, strips, strays);
        let thread_worth = by_thread.worth(strays);
        if thread_worth <= best.worth(strays) {
            return best;
        }
        let Some(look) = by_thread.look(strips) else {
            return by_thread;
        };
        let by_look = Followed::by(Told::Look(look.clone()), strips, strays);
        if by_look.are_mostly_found(strays) || by_look.worth(strays) > thread_worth {
            return by_look;
        }
        let by_faint_look = Followed::by(Told::FaintLook(look), strips, strays);
        match by_faint_look.worth(strays) > LOOK_FINDS * thread_worth {
            true => by_faint_look,
            false => by_thread,
        }
    }

    /// Samples of each row on which its line is found, with their numbers.
    fn found_by_row(
        &self,
        strays: &[Stray],
    ) -> impl Iterator<Item = impl Iterator<Item = (usize, &LinePoint)>> {
        self.lines.iter().zip(strays).map(|(line, stray)| {
            let found = supported(line, stray.farthest_mm);
            let samples = line.iter().enumerate().zip(found);
            samples.filter_map(|(sample, found)| found.then_some(sample))
        })
    }

    /// Places on which the lines are found.
    fn found(&self, strays: &[Stray]) -> impl Iterator<Item = &LinePoint> {
        self.found_by_row(strays).flatten().map(|(_, point)| point)
    }

    /// How much is found, less where it scatters as chance does, samples.
    fn worth(&self, strays: &[Stray]) -> f64 {
        let across_mm: Vec<f64> = self.found(strays).map(|p| f64::from(p.across_mm)).collect();
        across_mm.len() as f64 / robust_spread(&across_mm).max(STEADY_MM)
    }

    /// Whether the lines are found on most of what is visible of them.
    fn are_mostly_found(&self, strays: &[Stray]) -> bool {
        let visible = self.lines.iter().flatten().filter(|p| !p.strength.is_nan());
        self.found(strays).count() as f64 >= MOSTLY_FOUND * visible.count() as f64
    }

    /// Their own look, where it can be learned.
    pub(super) fn look(&self, strips: &[Strip]) -> Option<Box<Look>> {
        let lines = self.lines.iter().map(Vec::as_slice);
        let pairs: Vec<(&Strip, &[LinePoint])> = strips.iter().zip(lines).collect();
        let is_groove = match &self.told {
            Told::Look(look) | Told::FaintLook(look) => look.is_groove(),
            _ => false,
        };
        Look::learn(&pairs, FOUND_STRENGTH, is_groove).map(Box::new)
    }

    /// Learns how far the walls of lit grooves that were followed lie from their middles; whether that is new.
    pub(super) fn learn_walls(&mut self, strips: &[Strip], strays: &[Stray]) -> bool {
        let Told::Bend { sigma_mm, wall_mm } = self.told else {
            return false;
        };
        let mut places = Vec::new();
        for (row, (found, strip)) in self.found_by_row(strays).zip(strips).enumerate() {
            let followed = found.step_by(OBSERVE_EVERY);
            places.extend(followed.map(|(i, point)| groove::Place {
                row,
                normal: strip.samples[i].normal_on_quilt,
                off_mm: f64::from(point.across_mm),
                is_light: point.evidence > 0.0,
            }));
        }
        // Walls of one kind alone were none.
        let farther_mm = groove::light_wall_mm(&places).unwrap_or(-wall_mm);
        let is_new = farther_mm.norm() > WALL_MM;
        if is_new {
            let wall_mm = wall_mm + farther_mm;
            self.told = Told::Bend { sigma_mm, wall_mm };
        }
        is_new
    }
}

/// Three quarters of the visible line are weaker than this.
fn typical_strength<'a>(line: impl Iterator<Item = &'a LinePoint>) -> f32 {
    let mut all: Vec<f32> = line.map(|p| p.strength).filter(|s| s.is_finite()).collect();
    if all.is_empty() {
        return 0.0;
    }
    let at = all.len() * 3 / 4;
    *all.select_nth_unstable_by(at, f32::total_cmp).1
}

/// Where the line counts: strong, most of its neighbourhood strong too, not far off there, and not at
/// the end of a run.
pub(super) fn supported(line: &[LinePoint], farthest_mm: f64) -> Vec<bool> {
    let n = line.len();
    let strong: Vec<bool> = line.iter().map(|p| p.strength >= FOUND_STRENGTH).collect();
    let mut sums = vec![(0u32, 0u32, 0.0f64); n + 1];
    for (i, p) in line.iter().enumerate() {
        let (s, v, q) = sums[i];
        let off = if strong[i] {
            f64::from(p.across_mm).powi(2)
        } else {
            0.0
        };
        sums[i + 1] = (
            s + u32::from(strong[i]),
            v + u32::from(!p.strength.is_nan()),
            q + off,
        );
    }
    let (mut near, mut far) = (0usize, 0usize);
    let judged: Vec<(bool, bool)> = (0..n)
        .map(|i| {
            let (from, to) = (
                i.saturating_sub(SUPPORT_HALF),
                (i + SUPPORT_HALF + 1).min(n),
            );
            let (a, b) = (sums[from], sums[to]);
            let strong_here = (b.0 - a.0).max(1);
            let share = strong_here as f32 / (b.1 - a.1).max(1) as f32;
            let off_mm = ((b.2 - a.2) / f64::from(strong_here)).sqrt();
            let run = i.saturating_sub(RUN_END)..(i + RUN_END + 1).min(n);
            let stands_out = share >= SUPPORT_SHARE && strong[run].iter().all(|s| *s);
            let is_near = off_mm <= farthest_mm;
            near += usize::from(stands_out && is_near);
            far += usize::from(stands_out && !is_near);
            (stands_out, is_near)
        })
        .collect();
    // Where so much of the line lies off, it is the fit that does.
    let fit_is_off = far as f64 > FIT_IS_OFF * (near + far) as f64;
    judged
        .into_iter()
        .map(|(stands_out, is_near)| stands_out && (is_near || fit_is_off))
        .collect()
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::geometry::Point2;
    use crate::line::strip::StripSample;
    use crate::rehearse::Seeded;
    use crate::row::trace::REACH_MM;
    use image::{GrayImage, Luma};

    /// Cloth of noise, 10 grey levels, at half a millimetre a pixel, with a thread of one pixel that strays as a hand does.
    fn strip(thread_levels: f64, seed: u64) -> Strip {
        let mut rng = Seeded::new(seed);
        let (length_px, middle_px) = (2400, 40.0);
        let strays_px =
            |x: u32| 1.6 * (std::f64::consts::TAU * f64::from(x) / 300.0).sin() + middle_px;
        let luma = GrayImage::from_fn(length_px, 80, |x, y| {
            let off = f64::from(y) + 0.5 - strays_px(x);
            let thread = thread_levels * (1.0 - off.abs()).max(0.0);
            Luma([(120.0 + 10.0 * rng.normal() + thread).round() as u8])
        });
        let sample = |i: u32| StripSample {
            along_mm: f64::from(i),
            across_mm: 0.0,
            on_quilt: Point2::new(f64::from(i), 0.0),
            normal_on_quilt: Vector2::y(),
            px: Point2::new(2.0 * f64::from(i) + 10.0, middle_px),
            per_mm: Vector2::new(0.0, 2.0),
            normal_px: Vector2::y(),
            visible: true,
            beside_card: false,
        };
        let samples = (0..length_px / 2 - 10).map(sample).collect();
        Strip::new(&luma, samples, REACH_MM)
    }

    /// Share of the line that is found within half a millimetre of where it is.
    fn share(told: Told, strip: &Strip) -> f64 {
        let line = told.line(strip, 2.0);
        let found = supported(&line, REACH_MM);
        let right = line
            .iter()
            .zip(&found)
            .zip(0u32..)
            .filter(|((p, found), i)| {
                let place = 0.8 * (std::f64::consts::TAU * f64::from(2 * i + 10) / 300.0).sin();
                **found && (f64::from(p.across_mm) - place).abs() < 0.5
            });
        right.count() as f64 / line.len() as f64
    }

    #[test]
    fn a_faint_line_is_followed_by_its_thread_and_noise_is_not() {
        for seed in 0..4 {
            let faint = strip(9.0, seed);
            assert!(share(Told::Thread, &faint) > 0.8, "{seed}");
            let bend = Told::Bend {
                sigma_mm: 0.6,
                wall_mm: Vector2::zeros(),
            };
            // What the plain line's freedom makes of it.
            assert!(share(bend, &faint) < 0.2, "{seed}");
            assert!(share(Told::Thread, &strip(0.0, seed)) < 0.1, "{seed}");
        }
    }
}
