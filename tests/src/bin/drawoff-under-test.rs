//! The program as the whole-program tests run it: Cargo tells a test the path of its own package's binaries only.

fn main() -> std::process::ExitCode {
    drawoff_cli::main()
}
