//! Timing shared by the benches; each takes what it needs.
#![allow(dead_code)]

use std::process::{Command, Stdio};
use std::time::{Duration, Instant};

/// The middle one of some times.
pub fn median(mut times: Vec<f64>) -> f64 {
    times.sort_by(f64::total_cmp);
    times[times.len() / 2]
}

/// Median wall time of some runs, ms.
pub fn time(runs: usize, mut work: impl FnMut()) -> f64 {
    median(
        (0..runs)
            .map(|_| {
                let start = Instant::now();
                work();
                start.elapsed().as_secs_f64() * 1e3
            })
            .collect(),
    )
}

/// Prints a line of a table.
pub fn stage(name: &str, milliseconds: f64) {
    println!("  {name:<34} {milliseconds:>7.1} ms");
}

/// Wall time of a command, ms, and its peak memory, MB (from /proc, so on Linux only).
pub fn run(command: &mut Command) -> Option<(f64, f64)> {
    let used = usage(command)?;
    Some((used.milliseconds, used.megabytes))
}

/// What a command used.
pub struct Usage {
    /// Wall time.
    pub milliseconds: f64,
    /// Peak memory.
    pub megabytes: f64,
    /// Processor time of all threads, s, to a few hundredths.
    pub processor_s: f64,
}

/// The same with its processor time, which other work on the machine disturbs less (`man 5 proc`: fields 14 and 15 of
/// `stat`, in hundredths of a second).
pub fn usage(command: &mut Command) -> Option<Usage> {
    let start = Instant::now();
    let mut child = command
        .stdout(Stdio::null())
        .stderr(Stdio::null())
        .spawn()
        .ok()?;
    let status = format!("/proc/{}/status", child.id());
    let times = format!("/proc/{}/stat", child.id());
    let (mut peak_kb, mut ticks) = (0.0f64, 0.0f64);
    loop {
        if let Ok(text) = std::fs::read_to_string(&times) {
            // The second field is the name in brackets, which may hold blanks.
            let after = text.rsplit(')').next().unwrap_or("");
            let fields = after.split_whitespace().skip(11).take(2);
            ticks = fields
                .filter_map(|f| f.parse::<f64>().ok())
                .sum::<f64>()
                .max(ticks);
        }
        if let Ok(text) = std::fs::read_to_string(&status) {
            let peak = text.lines().find_map(|l| l.strip_prefix("VmHWM:"));
            let kb = peak.and_then(|l| l.trim().trim_end_matches(" kB").trim().parse().ok());
            peak_kb = peak_kb.max(kb.unwrap_or(0.0));
        }
        if child.try_wait().ok()?.is_some() {
            break;
        }
        std::thread::sleep(Duration::from_millis(1));
    }
    Some(Usage {
        milliseconds: start.elapsed().as_secs_f64() * 1e3,
        megabytes: peak_kb / 1024.0,
        processor_s: ticks / 100.0,
    })
}
