package web

import (
	"cmp"
	"context"
	"errors"
	"net/http"
	"time"

	"github.com/labstack/echo/v4"
)

// Wire form of pairing.
type (
	pairRequest struct {
		Code string `json:"code"`
	}
	inviteRequest struct {
		Right Right `json:"right"`
	}
	inviteBody struct {
		Code   string `json:"code"`
		EndsMs int64  `json:"ends_ms"`
	}
	revokeRequest struct {
		ID *int64 `json:"id"` // 0: all
	}
	deviceBody struct {
		ID     int64  `json:"id"`
		Name   string `json:"name"`
		Right  Right  `json:"right"`
		Paired string `json:"paired_utc"`
	}
	devicesBody struct {
		Devices []deviceBody `json:"devices"`
	}
)

// AuthorityPath is where the certificate is had of who signed that of the page, where browsers do not know it.
const AuthorityPath = "/authority.crt"

func (s *Server) pairingRoutes(e *echo.Group) {
	e.POST("/pair", s.postPair)
	here := e.Group("", s.checkHere)
	here.POST("/invite", s.postInvite)
	here.GET("/devices", s.getDevices)
	here.POST("/revoke", command(s, func(_ context.Context, r revokeRequest) error {
		if r.ID == nil {
			return badRequest(`say which device by "id"; 0 means all`)
		}
		n, err := s.pairing.revoke(*r.ID)
		if n == 0 && *r.ID != 0 && err == nil {
			return &problem{status: http.StatusNotFound, code: "not_found", message: "there is no such device"}
		}
		return err
	}))
}

// postPair gives a device its cookie for a code.
func (s *Server) postPair(c echo.Context) error {
	r, err := readBody[pairRequest](c)
	if err != nil {
		return err
	}
	token, d, err := s.pairing.pair(r.Code, cmp.Or(c.Request().UserAgent(), "a device without a name"))
	if _, refused := errors.AsType[*problem](err); refused {
		s.opt.Logger.Warn("a code for pairing was refused", "from", c.Request().RemoteAddr)
		return err
	}
	if err != nil {
		s.opt.Logger.Error("paired until the service stops", "error", err)
	}
	s.opt.Logger.Info("a device was paired", "id", d.ID, "right", d.Right, "from", c.Request().RemoteAddr)
	cookie := &http.Cookie{
		Name: s.cookieName(secure(c.Request())), Value: token, Path: "/", MaxAge: int(tokenLasts.Seconds()),
		HttpOnly: true, SameSite: http.SameSiteStrictMode, Secure: secure(c.Request()),
	}
	c.SetCookie(cookie)
	return c.NoContent(http.StatusNoContent)
}

func (s *Server) postInvite(c echo.Context) error {
	r, err := readBody[inviteRequest](c)
	if err != nil {
		return err
	}
	right, err := ParseRight(string(r.Right))
	if err != nil {
		return badRequest(err.Error())
	}
	code := s.pairing.invite(right)
	return c.JSON(http.StatusOK, inviteBody{code, s.now().Add(inviteLasts).UnixMilli()})
}

func (s *Server) getDevices(c echo.Context) error {
	if err := s.pairing.refreshWithin(time.Second); err != nil {
		s.opt.Logger.Error("the list of paired devices cannot be read: it stays as it was", "error", err)
	}
	out := devicesBody{Devices: []deviceBody{}}
	for _, d := range s.pairing.list() {
		out.Devices = append(out.Devices, deviceBody{d.ID, d.Name, d.Right, UTC(d.Paired)})
	}
	return c.JSON(http.StatusOK, out)
}

// Invite makes a code for a one-time link, to be shown on this machine.
func (s *Server) Invite(right Right) string { return s.pairing.invite(right) }

// PairPath is the page that pairs; the code stands behind a # in the link, where
// no log and no preview of links sees it.
const PairPath = "/pair"
