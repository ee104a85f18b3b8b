package rules

import (
	"cmp"
	"slices"

	"fanwarden/config"
)

// Divide divides a fleet into at most so many parts that can be judged each by
// an engine of its own: together they bring the changes that one engine would
// bring of all readings. What the rules see together stays together: the fans of
// a gateway, the fans and the gateways of a building. The parts have about as
// many fans each; there are fewer where the fleet cannot be divided so often.
//
// Each part is a fleet of its own, with all settings of the whole.
func Divide(fleet *config.Fleet, parts int) []*config.Fleet {
	all := islands(fleet)
	fans := make(map[*config.Building]int)
	for _, f := range fleet.Fans {
		fans[all[f.Building]]++
	}
	var roots []*config.Building
	for _, b := range fleet.Buildings {
		if all[b] == b {
			roots = append(roots, b)
		}
	}
	slices.SortStableFunc(roots, func(a, b *config.Building) int { return cmp.Compare(fans[b], fans[a]) })
	parts = max(1, min(parts, len(roots)))
	load, place := make([]int, parts), make(map[*config.Building]int, len(roots))
	for _, root := range roots {
		least := 0
		for i := range load {
			if load[i] < load[least] {
				least = i
			}
		}
		place[root] = least
		load[least] += fans[root]
	}
	divided := make([]*config.Fleet, parts)
	for i := range divided {
		here := func(b *config.Building) bool { return place[all[b]] == i }
		part := *fleet
		part.Buildings = only(fleet.Buildings, here)
		part.Gateways = only(fleet.Gateways, func(g *config.Gateway) bool { return here(g.Building) })
		part.Fans = only(fleet.Fans, func(f *config.Fan) bool { return here(f.Building) })
		divided[i] = &part
	}
	return divided
}

// islands gives each building the one that stands for all that it is tied to by
// gateways.
func islands(fleet *config.Fleet) map[*config.Building]*config.Building {
	of := make(map[*config.Building]*config.Building, len(fleet.Buildings))
	for _, b := range fleet.Buildings {
		of[b] = b
	}
	find := func(b *config.Building) *config.Building {
		for of[b] != b {
			b = of[b]
		}
		return b
	}
	for _, f := range fleet.Fans {
		of[find(f.Building)] = find(f.Gateway.Building)
	}
	for _, b := range fleet.Buildings {
		of[b] = find(b)
	}
	return of
}

func only[T any](all []T, wanted func(T) bool) []T {
	var some []T
	for _, one := range all {
		if wanted(one) {
			some = append(some, one)
		}
	}
	return some
}
