//! What tests of the program as a whole share.

use assert_cmd::Command;

/// Runs rowsight; its exit code, what it says and what it complains about.
pub fn rowsight(arguments: &[&str]) -> (i32, String, String) {
    let output = Command::cargo_bin("rowsight")
        .unwrap()
        .args(arguments)
        .env_remove("NO_COLOR")
        // No camera profile of whoever runs the tests.
        .env("ROWSIGHT_DATA", env!("CARGO_TARGET_TMPDIR"))
        .output()
        .unwrap();
    let text = |bytes: &[u8]| String::from_utf8_lossy(bytes).into_owned();
    let code = output.status.code().unwrap();
    (code, text(&output.stdout), text(&output.stderr))
}
