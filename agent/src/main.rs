//! `pintle`: on-trailer supervisor for roadside plate-reading trailers.

fn main() -> std::process::ExitCode {
    std::process::ExitCode::SUCCESS
}
