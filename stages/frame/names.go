package frame

// longName is how much of a name is compared.
const longName = 80

// Edits is the number of characters to insert, delete, replace or swap with their
// neighbour to make b of a, no character twice (optimal string alignment: F. J.
// Damerau, Communications of the ACM 7 (1964) 171; V. I. Levenshtein, Soviet Physics
// Doklady 10 (1966) 707). Of names of more than 80 characters the first 80 count.
func Edits(a, b string) int {
	x, y := []rune(a), []rune(b)
	x, y = x[:min(len(x), longName)], y[:min(len(y), longName)]
	before, prev, cur := make([]int, len(y)+1), make([]int, len(y)+1), make([]int, len(y)+1)
	for j := range prev {
		prev[j] = j
	}
	for i := 1; i <= len(x); i++ {
		cur[0] = i
		for j := 1; j <= len(y); j++ {
			replace := 1
			if x[i-1] == y[j-1] {
				replace = 0
			}
			cur[j] = min(prev[j]+1, cur[j-1]+1, prev[j-1]+replace)
			if i > 1 && j > 1 && x[i-1] == y[j-2] && x[i-2] == y[j-1] {
				cur[j] = min(cur[j], before[j-2]+1)
			}
		}
		before, prev, cur = prev, cur, before
	}
	return prev[len(y)]
}
