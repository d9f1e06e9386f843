//! The command-line program; everything it does is in the library.

fn main() -> std::process::ExitCode {
    rowsight::cli::run()
}
