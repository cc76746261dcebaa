//go:build linux && (amd64 || arm64) && !race && !msan && !asan

package first

import "syscall"

// populateRead is advice of the kernel's that package syscall does not name (madvise(2)): from Linux 5.14 on, and refused before.
const populateRead = 22

// piece is how many bytes are mapped at a time. Meanwhile the rest of the program cannot have more address space.
const piece = 1 << 20

// constants is how many bytes of the constants are mapped: types and texts come first, and then the tables of functions and lines, three times as
// long, of which little is looked at. What is mapped is also to be taken down when the process ends.
const constants = 4 << 20

// mapProgram has the kernel map the program's code and constants, beside what comes next; what is not in memory yet is read. Else each 64 kB of
// them take a trap when they are first used. They are the parts that the kernel names first of a process (proc(5), maps).
func mapProgram() {
	var parts [512]byte
	text := parts[:readHead("/proc/self/maps", parts[:])]
	for _, most := range [...]uintptr{1 << 30, constants} {
		from, rest := hex(text)
		to, rest := hex(after(rest, '-'))
		if len(rest) > 2 && rest[1] == 'r' && rest[2] == '-' { // neither what is written, nor what is not there to be read
			to = min(to, from+most)
			for ; from < to; from += piece {
				_, _, _ = syscall.Syscall(syscall.SYS_MADVISE, from, min(piece, to-from), populateRead)
			}
		}
		text = after(rest, '\n')
	}
}

// readHead reads the beginning of a file and returns how many bytes that is.
func readHead(path string, to []byte) int {
	file, err := syscall.Open(path, syscall.O_RDONLY|syscall.O_CLOEXEC, 0)
	if err != nil {
		return 0
	}
	defer func() { _ = syscall.Close(file) }() // it was read only
	n, err := syscall.Read(file, to)
	if err != nil {
		return 0
	}
	return n
}

// hex reads a number in hexadecimal digits and returns what follows it.
func hex(text []byte) (n uintptr, rest []byte) {
	for i, c := range text {
		switch {
		case c >= '0' && c <= '9':
			n = n<<4 | uintptr(c-'0')
		case c >= 'a' && c <= 'f':
			n = n<<4 | uintptr(c-'a'+10)
		default:
			return n, text[i:]
		}
	}
	return n, nil
}

// after is what follows the first mark.
func after(text []byte, mark byte) []byte {
	for i, c := range text {
		if c == mark {
			return text[i+1:]
		}
	}
	return nil
}
