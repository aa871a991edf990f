package frame

import "reflect"

func zeroResponse(a Response) bool { return reflect.DeepEqual(a, Response{}) }
func zeroRequest(q Request) bool   { return reflect.DeepEqual(q, Request{}) }
func zeroADU(a ADU) bool           { return reflect.DeepEqual(a, ADU{}) }
