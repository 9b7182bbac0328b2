//! The binary `drawoff`. All of it lies in the library beside, so that the whole-program tests can run it too.

fn main() -> std::process::ExitCode {
    drawoff_cli::main()
}
