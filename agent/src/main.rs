//! `pintle`: on-trailer supervisor for roadside plate-reading trailers.

fn main() -> pintle::exit::Exit {
    pintle::cli::main()
}
