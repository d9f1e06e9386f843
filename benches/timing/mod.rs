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
    let start = Instant::now();
    let mut child = command
        .stdout(Stdio::null())
        .stderr(Stdio::null())
        .spawn()
        .ok()?;
    let status = format!("/proc/{}/status", child.id());
    let mut peak_kb = 0.0f64;
    loop {
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
    Some((start.elapsed().as_secs_f64() * 1e3, peak_kb / 1024.0))
}
