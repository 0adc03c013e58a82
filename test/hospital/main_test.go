package main

import (
	"context"
	"errors"
	"net/http"
	"strings"
	"testing"

	"github.com/stretchr/testify/require"
)

// lines gives what is written to it.
type lines chan string

// WriteString implements what run writes to.
func (l lines) WriteString(text string) (int, error) { l <- text; return len(text), nil }

// It says where it is, is there, and is gone when told to stop.
func TestServesUntilItIsTold(t *testing.T) {
	t.Parallel()
	ctx, stop := context.WithCancel(context.Background())
	said, done := make(lines, 1), make(chan error, 1)
	go func() { done <- run(ctx, said) }()
	base := strings.TrimSuffix(<-said, "\n")
	get := func() (int, error) {
		request, err := http.NewRequestWithContext(context.Background(), http.MethodGet, base+"/metadata", nil)
		require.NoError(t, err)
		answer, err := http.DefaultClient.Do(request)
		if err != nil {
			return 0, err
		}
		return answer.StatusCode, answer.Body.Close()
	}
	status, err := get()
	require.NoError(t, err)
	require.Equal(t, http.StatusOK, status)
	stop()
	require.NoError(t, <-done)
	_, err = get()
	require.Error(t, err)
}

// mute cannot be written to.
type mute struct{}

// WriteString implements what run writes to.
func (mute) WriteString(string) (int, error) { return 0, errors.New("closed") }

func TestNobodyToTellIsAFailure(t *testing.T) {
	t.Parallel()
	require.ErrorContains(t, run(context.Background(), mute{}), "saying where it is: closed")
}
