package wavfile

import (
	"context"

	"plumbline/capture"
)

type File struct{}

func Open(path string) (*File, error)                                { panic("soon") }
func (f *File) Format() Format                                       { panic("soon") }
func (f *File) Frames() int64                                        { panic("soon") }
func (f *File) ReadFrames(dst [][]float64, at int64) (int, error)    { panic("soon") }
func (f *File) ReadInterleaved(dst []float32, at int64) (int, error) { panic("soon") }
func (f *File) Close() error                                         { panic("soon") }

type Writer struct{}

func Create(path string, format Format) (*Writer, error) { panic("soon") }
func Record(path string, format Format) (*Writer, error) { panic("soon") }
func (w *Writer) Write(interleaved []float32) error      { panic("soon") }
func (w *Writer) Frames() int64                          { panic("soon") }
func (w *Writer) Close() error                           { panic("soon") }
func (w *Writer) Abort() error                           { panic("soon") }

type SourceConfig struct {
	Path string
	Loop bool
	Pace bool
}
type Source struct{}

func NewSource(cfg SourceConfig) (*Source, error)                  { panic("soon") }
func (s *Source) Info() capture.Info                               { panic("soon") }
func (s *Source) Status() capture.Status                           { panic("soon") }
func (s *Source) Counters() capture.Counters                       { panic("soon") }
func (s *Source) Run(ctx context.Context, out *capture.Ring) error { panic("soon") }
