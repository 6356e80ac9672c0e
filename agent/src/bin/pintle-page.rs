//! `pintle-page`: the page server as a program of its own. It holds what the page needs and nothing else, so that it
//! stays small; `pintle page` hands over to it.

fn main() -> pintle::exit::Exit {
    pintle::page::main()
}
