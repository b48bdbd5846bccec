package evidence

// Damage changes a stored blob, as a failing disk does.
func (m *Memory) Damage(f Folder, d Digest) {
	m.mu.Lock()
	defer m.mu.Unlock()
	b := append([]byte(nil), m.blobs[f][d]...)
	b[len(b)/2] ^= 1
	m.blobs[f][d] = b
}

// PartName is what a file on its way in is called.
var PartName = partName

// Empty reports whether nothing is kept.
func (m *Memory) Empty() bool {
	m.mu.RLock()
	defer m.mu.RUnlock()
	for _, f := range m.blobs {
		if len(f) > 0 {
			return false
		}
	}
	return true
}

// KillIdle ends the workers that wait, as somebody else would.
func (w *Workers) KillIdle() {
	for range cap(w.places) {
		x := <-w.places
		if x != nil {
			_ = x.cmd.Process.Kill()
			_, _ = x.cmd.Process.Wait()
		}
		w.places <- x
	}
}
