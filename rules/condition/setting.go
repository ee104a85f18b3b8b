package condition

import "time"

// Setting is how one condition is judged for one fan or gateway.
type Setting struct {
	Enabled  bool
	Hold     time.Duration // how long the evidence must stand
	Severity Severity
	Own      map[string]float64 // by Parameter.Key, in base units; never nil in a Settings
}

// Settings holds a Setting for every condition of the catalogue.
type Settings map[Name]Setting

// Defaults returns the catalogue's settings.
func Defaults() Settings {
	all := make(Settings)
	for _, d := range Catalogue() {
		s := d.Default
		s.Own = make(map[string]float64, len(d.Own))
		for _, p := range d.Own {
			s.Own[p.Key] = p.Default
		}
		all[d.Name] = s
	}
	return all
}

// Clone returns a copy that shares nothing with s.
func (s Settings) Clone() Settings {
	all := make(Settings, len(s))
	for name, setting := range s {
		own := make(map[string]float64, len(setting.Own))
		for key, value := range setting.Own {
			own[key] = value
		}
		setting.Own = own
		all[name] = setting
	}
	return all
}

// OwnDuration returns an own parameter that is a time.
func (s Setting) OwnDuration(key string) time.Duration {
	return time.Duration(s.Own[key] * float64(time.Second))
}
