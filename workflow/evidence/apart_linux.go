package evidence

import (
	"fmt"
	"os"
	"syscall"
)

// besides is what the program itself takes, and its garbage before it is collected.
const besides = 192 << 20

// limitMemory bounds this process: what it may write to in memory, and that it writes no file. Where the
// kernel says no to more, the program ends.
func limitMemory(bytes int64) error {
	for what, most := range map[int]uint64{syscall.RLIMIT_DATA: uint64(bytes + besides), syscall.RLIMIT_FSIZE: 0, syscall.RLIMIT_CORE: 0} {
		if err := syscall.Setrlimit(what, &syscall.Rlimit{Cur: most, Max: most}); err != nil {
			return fmt.Errorf("the process for pictures can't be limited: %w", os.NewSyscallError("setrlimit", err))
		}
	}
	return nil
}
